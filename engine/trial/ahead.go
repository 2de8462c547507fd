package trial

import (
	"iter"

	"lintel/engine/event"
)

// aheadPage is how many facts are handed over at one time.
const aheadPage = 2048

// Ahead gives the same facts, read by another goroutine while they are worked on: a file is then
// tried about as fast as the slower of the two goes. The goroutine has ended when the loop over the
// facts has.
func Ahead(facts iter.Seq2[*event.Fact, error]) iter.Seq2[*event.Fact, error] {
	type page struct {
		facts []event.Fact
		err   error
	}
	return func(yield func(*event.Fact, error) bool) {
		full, empty, stop := make(chan page), make(chan []event.Fact, 2), make(chan struct{})
		empty <- make([]event.Fact, 0, aheadPage)
		empty <- make([]event.Fact, 0, aheadPage)
		go func() {
			defer close(full)
			p := page{facts: <-empty}
			hand := func() bool {
				select {
				case full <- p:
				case <-stop:
					return false
				}
				select {
				case p.facts = <-empty:
				case <-stop:
					return false
				}
				return true
			}
			for f, err := range facts {
				if p.err = err; err != nil {
					break
				}
				if p.facts = append(p.facts, *f); len(p.facts) == aheadPage && !hand() {
					return
				}
			}
			hand()
		}()
		defer func() {
			close(stop)
			for range full { // until the goroutine has ended
			}
		}()
		for p := range full {
			for i := range p.facts {
				if !yield(&p.facts[i], nil) {
					return
				}
			}
			if p.err != nil {
				yield(nil, p.err)
				return
			}
			empty <- p.facts[:0]
		}
	}
}
