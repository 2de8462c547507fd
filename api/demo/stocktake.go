package demo

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/api"
	"lintel/engine/epc"
	"lintel/engine/sim"
)

// The stock-take: the reader of a shelf is silent, so staff count the shelf with a handheld.
const (
	countZone   = "shelf-a"
	countReader = "shelf-a-1" // silent meanwhile
	countPoint  = "handheld-2"
	countWalks  = 2
	countNote   = "the reader " + countReader + " is silent"

	countAt     = 6*time.Minute + 40*time.Second
	countNeeds  = 15 * time.Minute // of the demonstration: a shorter one has no stock-take
	countSilent = 105 * time.Second
	// Staff turn the handheld down further than usual, so as to hear little of the shelf next door.
	countPower = -19

	// What was sent before a walk ended has reached the server by then, late batches too.
	walkSettles = 9500 * time.Millisecond
	midWalk     = 10 * time.Second

	countSteps = 8
	someFew    = 5 // lines of a list
)

// addStockTake makes the shelf's reader silent instead of the one that would be, lets customers
// disturb the shelf, and sends staff to count it.
func addStockTake(c *sim.Config) {
	c.Radio.HandheldPower = countPower
	silence := sim.Scene{At: countSilent, Kind: sim.SceneSilence, Point: countReader, For: 10 * time.Minute}
	if i := slices.IndexFunc(c.Scenes, func(s sim.Scene) bool { return s.Kind == sim.SceneSilence }); i >= 0 {
		c.Scenes[i] = silence
	} else {
		c.Scenes = append(c.Scenes, silence)
	}
	c.Scenes = append(c.Scenes,
		sim.Scene{At: 110 * time.Second, Kind: sim.SceneMisplace, Zone: countZone, To: "cafe", N: 2},
		sim.Scene{At: 130 * time.Second, Kind: sim.SceneMisplace, Zone: "shelf-b", To: countZone, N: 2},
		sim.Scene{At: 150 * time.Second, Kind: sim.SceneLeftBehind, Zone: countZone, N: 1},
		sim.Scene{At: countAt - 15*time.Second, Kind: sim.SceneLowTable}, // for the pick list
		sim.Scene{At: countAt, Kind: sim.SceneSweep, Zone: countZone, Point: countPoint, N: countWalks},
	)
}

// stockTake counts a shelf over the API as staff with a handheld would. The goroutine that runs the
// simulator calls due and takes; the steps that due returns run one after the other, each before
// anything later is sent.
type stockTake struct {
	client *client
	staff  string // key
	folded func(context.Context) error
	tell   func(func(*console))

	// of the simulator's goroutine
	walks  []sim.Sweep // of the shelf; To is 0 while one is under way
	next   int         // of the steps
	batch  []byte      // of reads, to be sent again
	number string      // its Idempotency-Key

	// of the steps
	id      string
	reads   string // the path that reads are posted to
	outcome *countOutcome
}

// countOutcome is what the stock-take found, to be held against the truth.
type countOutcome struct {
	id    string
	at    int64 // when the last walk ended, Unix milliseconds
	found map[epc.Key]bool
}

// countStep is one thing that staff do.
type countStep func(ctx context.Context, at time.Time) error

// due returns what staff do, in order, that became due by the shop's time now, in order.
func (s *stockTake) due(t *sim.Truth, now int64) (list []countStep) {
	s.walks = s.walks[:0]
	for _, w := range t.Sweeps {
		if w.Point == countPoint && w.Zone == countZone && len(s.walks) < countWalks {
			s.walks = append(s.walks, w)
		}
	}
	began := func(walk int, after time.Duration) bool {
		return len(s.walks) > walk && now >= s.walks[walk].From+after.Milliseconds()
	}
	ended := func(walk int) bool {
		return len(s.walks) > walk && s.walks[walk].To != 0 && now >= s.walks[walk].To+walkSettles.Milliseconds()
	}
	steps := [countSteps]struct {
		due bool
		do  countStep
	}{
		{began(0, 0), s.open},
		{began(0, midWalk), s.progress("first walk, under way")},
		{ended(0), s.progress("first walk, done")},
		{ended(0), s.again},
		{ended(0), s.pass},
		{ended(1), s.progress("second walk, done")},
		{ended(1), s.close(s.walks)},
		{ended(1), s.picks},
	}
	for ; s.next < len(steps) && steps[s.next].due; s.next++ {
		list = append(list, steps[s.next].do)
	}
	return list
}

// takes reports whether the reads belong to the count: those of its handheld, from when it was
// opened until it was closed.
func (s *stockTake) takes(step *sim.Step) bool {
	return s.next > 0 && s.next < countSteps && step.Reads[0].Point == countPoint && step.Reads[0].Zone == countZone
}

// keep keeps the first batch of reads, to be sent again.
func (s *stockTake) keep(m *message) {
	if s.batch == nil {
		s.batch, s.number = m.body, m.key
	}
}

const sitePath = "/v1/sites/" + site

// command does something to the count.
func (s *stockTake) command(ctx context.Context, path string, body any) (*api.CountDetail, error) {
	var b []byte
	mediaType := ""
	if body != nil {
		var err error
		if b, err = json.Marshal(body); err != nil {
			return nil, err
		}
		mediaType = "application/json"
	}
	text, err := s.client.do(ctx, "POST", sitePath+"/counts"+path, s.staff, mediaType, "demo-count"+path, b)
	if err != nil {
		return nil, err
	}
	var a api.CountAnswer
	if err := json.Unmarshal(text, &a); err != nil {
		return nil, err
	}
	if a.Count == nil {
		return nil, fmt.Errorf("POST %s: it is in the journal, but was not worked through in time", path)
	}
	return a.Count, nil
}

func (s *stockTake) get(ctx context.Context) (*api.CountDetail, error) {
	v := new(api.CountDetail)
	return v, s.client.get(ctx, sitePath+"/counts/"+s.id+"?curve=true", s.staff, v)
}

func (s *stockTake) open(ctx context.Context, at time.Time) error {
	v, err := s.command(ctx, "", api.CountRequest{Zones: []string{countZone}, Note: countNote})
	if err != nil {
		return err
	}
	s.id, s.reads = v.ID, sitePath+"/counts/"+v.ID+"/reads"
	s.tell(func(c *console) {
		c.row(at, "count", cyan, listed("of "+c.words.zone(countZone)+" opened", some(v.Expected, "item", "items")+" expected", v.Note))
	})
	return nil
}

// progress reports how far the count has come.
func (s *stockTake) progress(what string) countStep {
	return func(ctx context.Context, at time.Time) error {
		if err := s.folded(ctx); err != nil {
			return err
		}
		v, err := s.get(ctx)
		if err != nil {
			return err
		}
		p := v.Progress
		if p == nil {
			return errors.New("the count is open, and its progress is not reported")
		}
		s.tell(func(c *console) {
			c.row(at, "counting", cyan, listed(what, fmt.Sprintf("%d of %d expected heard", p.Found, v.Expected),
				some(v.Unique-p.Found, "other", "others")))
			c.below("", fmt.Sprintf("%s  now %.1f new tags a second", sparkline(p.Curve), p.NewPerSecond))
		})
		return nil
	}
}

// again sends a batch once more, as after an answer that got lost: with its Idempotency-Key, and as
// if that were new too.
func (s *stockTake) again(ctx context.Context, _ time.Time) error {
	if s.batch == nil {
		return nil // the handheld heard nothing
	}
	before, err := s.get(ctx)
	if err != nil {
		return err
	}
	var n int
	for _, key := range []string{s.number, s.number + "-again"} {
		answer, err := s.client.post(ctx, s.reads+"?wait=10s", s.staff, key, s.batch)
		if err != nil {
			return err
		}
		n = answer.Accepted
	}
	after, err := s.get(ctx)
	if err != nil {
		return err
	}
	if before.Reads != after.Reads || before.Unique != after.Unique {
		return fmt.Errorf("reads that were sent again counted again: %d reads of %d tags before, %d of %d after",
			before.Reads, before.Unique, after.Reads, after.Unique)
	}
	s.tell(func(c *console) {
		c.below("", fmt.Sprintf("a batch of %s sent twice more, with its key and without: still %s",
			some(n, "read", "reads"), some(after.Reads, "read", "reads")))
	})
	return nil
}

func (s *stockTake) pass(ctx context.Context, _ time.Time) error {
	_, err := s.command(ctx, "/"+s.id+"/pass", nil)
	return err
}

// close ends the count and reports what it found.
func (s *stockTake) close(walks []sim.Sweep) countStep {
	if len(walks) < countWalks {
		return nil // not due
	}
	end := walks[countWalks-1].To
	return func(ctx context.Context, at time.Time) error { return s.closeAt(ctx, at, end) }
}

func (s *stockTake) closeAt(ctx context.Context, at time.Time, end int64) error {
	v, err := s.command(ctx, "/"+s.id+"/close", nil)
	if err != nil {
		return err
	}
	var d api.DifferencesView
	if err := s.client.get(ctx, sitePath+"/counts/"+s.id+"/differences", s.staff, &d); err != nil {
		return err
	}
	if v.Result == nil || v.Assessment == nil {
		return errors.New("the count is closed, and its result is not reported")
	}
	items, err := s.client.items(ctx, s.staff, countZone)
	if err != nil {
		return err
	}
	s.outcome = &countOutcome{s.id, end, foundBy(items, d.Differences)}
	s.tell(func(c *console) { c.reconciled(at, v, &d) })
	return nil
}

// foundBy returns what a count found in its zone: what is known to be there now, but for what was
// missed.
func foundBy(items []api.ItemView, differences []api.DifferenceView) map[epc.Key]bool {
	found := make(map[epc.Key]bool, len(items))
	for i := range items {
		if id, err := epc.Parse(items[i].Item); err == nil {
			found[id.Key()] = true
		}
	}
	for i := range differences {
		if f := differences[i].Finding; f == "missed_once" || f == "missing" {
			if id, err := epc.Parse(differences[i].Item); err == nil {
				delete(found, id.Key())
			}
		}
	}
	return found
}

// picks reports what staff carry next.
func (s *stockTake) picks(ctx context.Context, at time.Time) error {
	var list api.PickList
	if err := s.client.get(ctx, sitePath+"/picks", s.staff, &list); err != nil {
		return err
	}
	s.tell(func(c *console) { c.picks(at, &list) })
	return nil
}

// reconciled reports what closing a count found.
func (c *console) reconciled(at time.Time, v *api.CountDetail, d *api.DifferencesView) {
	findings := map[string]int{}
	for i := range d.Differences {
		findings[d.Differences[i].Finding]++
	}
	r := v.Result
	parts := []string{
		fmt.Sprintf("%d found as expected", r.Matched), fmt.Sprintf("%d moved here", findings["moved_here"]),
		fmt.Sprintf("%d not heard", findings["missed_once"]),
	}
	if n := findings["missing"]; n > 0 {
		parts = append(parts, fmt.Sprintf("%d missing", n))
	}
	parts = append(parts, fmt.Sprintf("%d sold but present", findings["sold_but_present"]))
	c.row(at, "closed", cyan, listed(parts...))
	c.page.row("", "estimate", dim, v.Assessment.Words, plain)
	c.below("", v.Caution)
	c.page.row("", "accuracy", dim, listed(percent(r.ItemAccuracy)+" by item",
		fmt.Sprintf("%s by product line, %d of %d as expected", percent(r.LineAccuracy), r.LinesRight, r.Lines)), plain)
	told, lines := map[string]int{}, 0
	for i := range d.Differences {
		f := &d.Differences[i]
		if lines == someFew || told[f.Finding] == 2 {
			continue
		}
		what := ""
		if lines == 0 {
			what = "look"
		}
		told[f.Finding]++
		lines++
		words := c.words.title(f.GTIN) + " · " + lowered(f.Words)
		if f.Finding == "moved_here" && f.Was != "" {
			words += " (" + strings.ReplaceAll(c.words.zone(f.Was), " ", hardBlank) + ")"
		}
		c.page.row("", what, dim, words, plain)
	}
	if n := len(d.Differences) - lines; n > 0 {
		c.below("", fmt.Sprintf("and %d more: GET %s/counts/%s/differences", n, sitePath, v.ID))
	}
}

// picks reports what to carry where.
func (c *console) picks(at time.Time, list *api.PickList) {
	if len(list.Picks) == 0 {
		c.row(at, "pick list", cyan, "nothing to carry now")
		return
	}
	c.row(at, "pick list", cyan, fmt.Sprintf("%s to carry where something is below its minimum",
		some(len(list.Picks), "product", "products")))
	for i := range list.Picks[:min(someFew, len(list.Picks))] {
		p := &list.Picks[i]
		c.page.row("", "", dim, fmt.Sprintf("%s to %s · %s · %d", c.words.zone(p.From), c.words.zone(p.To),
			p.Product.Name, p.Quantity), plain)
	}
	if n := len(list.Picks) - someFew; n > 0 {
		c.below("", fmt.Sprintf("and %d more", n))
	}
}

func percent(x float64) string { return fmt.Sprintf("%.1f %%", 100*x) }

func lowered(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

const (
	sparks     = "▁▂▃▄▅▆▇█"
	sparkWidth = 30
)

// sparkline draws how many tags were new in each stretch of a count.
func sparkline(curve []api.CurvePoint) string {
	step := max(1, (len(curve)+sparkWidth-1)/sparkWidth)
	var bars []int
	for part := range slices.Chunk(curve, step) {
		n := 0
		for _, p := range part {
			n += p.New
		}
		bars = append(bars, n)
	}
	if len(bars) == 0 {
		return ""
	}
	levels := []rune(sparks)
	top := max(1, slices.Max(bars))
	var b strings.Builder
	for _, n := range bars {
		// Whatever is not nothing is seen to be something.
		b.WriteRune(levels[(n*(len(levels)-1)+top-1)/top])
	}
	return b.String()
}
