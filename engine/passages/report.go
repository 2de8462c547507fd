package passages

import (
	"cmp"
	"slices"
	"time"

	"lintel/engine/layout"
)

// Within is how soon after a passage out people must be notified of it for it to count as found.
const Within = 10 * time.Second

// Report compares what is concluded now with what people said.
type Report struct {
	Doors []Score `json:"doors"` // in order of site and door
}

// Score is how right the judgements of one door are.
type Score struct {
	Site       string `json:"site"`
	Door       string `json:"door"`
	Out        int    `json:"labelled_out"`
	Found      int    `json:"found"`          // of these, notified as out and unpaid within Within
	Other      int    `json:"labelled_other"` // in or stayed
	False      int    `json:"false"`          // of these, notified as out and unpaid
	Changed    int    `json:"changed"`        // of all labelled ones, no passage in the direction once notified
	Unlabelled int    `json:"unlabelled"`     // and not judged
}

// Judge judges a passage, if it is labelled, and counts it.
func (r *Report) Judge(p *Passage) error {
	if p.Label == "" {
		lay, err := layout.Parse(p.Layout)
		if err == nil {
			r.at(lay.Site, p.Door).Unlabelled++
		}
		return err
	}
	j, err := p.Judge()
	if err == nil {
		r.count(p, &j)
	}
	return err
}

// count takes the judgement of a labelled passage.
func (r *Report) count(p *Passage, j *Judgement) {
	s := r.at(j.Site, p.Door)
	if !j.Same {
		s.Changed++
	}
	if p.Label != Out {
		s.Other++
		if j.Out {
			s.False++
		}
		return
	}
	s.Out++
	if j.Out && j.At <= p.Notified.At.Add(Within).UnixMilli() {
		s.Found++
	}
}

func (r *Report) at(site, door string) *Score {
	k, ok := slices.BinarySearchFunc(r.Doors, Score{Site: site, Door: door}, func(a, b Score) int {
		return cmp.Or(cmp.Compare(a.Site, b.Site), cmp.Compare(a.Door, b.Door))
	})
	if !ok {
		r.Doors = slices.Insert(r.Doors, k, Score{Site: site, Door: door})
	}
	return &r.Doors[k]
}
