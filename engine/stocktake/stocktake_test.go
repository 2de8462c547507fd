package stocktake

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/epc"
	"lintel/engine/event"
)

const (
	shelfA, shelfB, stockroom = 1, 2, 3
	opening                   = int64(1_772_445_600_000)
)

var zoneIDs = []string{"", "shelf-a", "shelf-b", "stockroom"}

// shop is a site of three zones and a book of counts.
type shop struct {
	t     require.TestingT
	b     Book
	items []Item
	index map[epc.Key]int32
	far   map[epc.Key]string // heard elsewhere
	now   int64
	opens int
	log   []string // what counts had the site do
}

func newShop(t require.TestingT) *shop {
	return &shop{t: t, index: make(map[epc.Key]int32), far: make(map[epc.Key]string), now: opening}
}

func (sh *shop) Item(k epc.Key) (Item, bool) {
	if i, ok := sh.index[k]; ok {
		return sh.items[i], true
	}
	return Item{}, false
}

func (sh *shop) Add(k epc.Key, text string) Item {
	it := Item{Index: int32(len(sh.items)), Text: text, Known: sh.GTIN(k) != 0}
	sh.items, sh.index[k] = append(sh.items, it), it.Index
	return it
}

func (sh *shop) GTIN(k epc.Key) uint64 {
	g, _ := k.GTIN14()
	return g
}

func (sh *shop) Elsewhere(_ int32, s *Sighting) string { return sh.far[s.Key] }

func (sh *shop) Counted(i int32, s *Sighting, stays bool, delivery string) {
	it := &sh.items[i]
	if !stays {
		sh.put(it, s.Zone, s.At)
	}
	if delivery != "" {
		sh.log = append(sh.log, "received")
	}
}

func (sh *shop) Missed(i int32, m Miss) {
	it := &sh.items[i]
	if it.Missed = m == MissedOnce; m == MissedNow {
		sh.put(it, 0, sh.now)
		it.Missing = true
		sh.log = append(sh.log, "missing")
	}
}

func (sh *shop) put(it *Item, zone uint16, at int64) {
	it.Zone, it.ZoneID, it.Sure, it.Missed, it.Missing = zone, zoneIDs[zone], at, false, false
	if it.Known {
		it.Disposition = event.SellableAccessible
	}
}

// stock puts items into a zone.
func (sh *shop) stock(zone uint16, keys ...epc.Key) {
	for _, k := range keys {
		it := sh.Add(k, "")
		sh.put(&sh.items[it.Index], zone, sh.now)
	}
	sh.now += 120_000
}

func (sh *shop) open(c event.Count, zones ...uint16) string {
	sh.opens++
	c.ID, c.Opened, c.MissingAfter = event.CountID("umberhithe", uint64(sh.opens)), sh.now, max(1, c.MissingAfter)
	for _, z := range zones {
		c.Zones = append(c.Zones, zoneIDs[z])
	}
	for k, i := range sh.index {
		for _, z := range zones {
			if !c.Delivery && sh.items[i].Zone == z {
				c.Expected = append(c.Expected, k)
			}
		}
	}
	sh.b.Open(c, zones)
	return c.ID
}

func (sh *shop) do(what, id string) *event.CountResult {
	return sh.b.Do(&event.CountCommand{Do: what, ID: id}, sh.now, sh)
}

// read has a count hear tags; it reports whether the count took them.
func (sh *shop) read(id string, zone uint16, rssi int16, keys ...epc.Key) bool {
	e := event.Entry{At: sh.now, Count: id}
	for _, k := range keys {
		e.Reads = append(e.Reads, event.Read{Key: k, Zone: 1, RSSI: rssi * 10, N: 1, T: sh.now})
	}
	_, ok := sh.b.Hear(&e, []uint16{9}, []uint16{zone}, sh.now)
	return ok
}

func (sh *shop) progress(id string) Progress {
	p, ok := sh.b.Progress(id, sh.GTIN)
	require.True(sh.t, ok)
	return p
}

func book(product, serial int) epc.Key {
	e, err := epc.EncodeSGTIN96([]uint64{9521234000013, 9521234000020}[product-1], 7, uint64(serial), 1)
	if err != nil {
		panic(err)
	}
	return e.Key()
}

func findings(r *event.CountResult) map[string]int {
	m := map[string]int{}
	for _, d := range r.Differences {
		m[d.Finding.String()]++
	}
	return m
}

func TestEachTagIsTakenOnce(t *testing.T) {
	sh := newShop(t)
	id := sh.open(event.Count{}, shelfA)
	for range 10 { // the handheld lost its connection and sends all again
		require.True(t, sh.read(id, shelfA, -55, book(1, 1), book(1, 2), book(1, 3)))
	}
	require.Equal(t, []int{3, 3}, []int{sh.progress(id).Distinct, sh.progress(id).Reads})
	sh.now += 1000
	sh.read(id, shelfB, -55, book(1, 9))
	require.Equal(t, 3, sh.progress(id).Distinct, "a read belongs to the zone declared, and that zone is not counted here")
	sh.do("pause", id)
	require.True(t, sh.read(id, shelfA, -55, book(1, 7)), "it was on its way, and acknowledged")
	sh.do("resume", id)
	sh.now += 1000
	sh.read(id, shelfA, -55, book(1, 8))
	require.Equal(t, 5, sh.progress(id).Distinct)
	sh.do("discard", id)
	require.Empty(t, sh.items, "a discarded count leaves nothing behind")
	require.False(t, sh.read(id, shelfA, -55, book(1, 9)))
}

func TestFindingsOfACount(t *testing.T) {
	sh := newShop(t)
	sh.stock(shelfA, book(1, 1), book(1, 2), book(1, 3))
	sh.stock(shelfB, book(2, 1), book(2, 2))
	sh.items[sh.index[book(2, 2)]].Disposition = event.RetailSold
	unknown, foreign := epc.Key{Hi: 1, Lo: 1}, epc.Key{Hi: 1, Lo: 2}
	sh.Add(unknown, "urn:epc:id:giai:952123400.7")
	sh.Add(foreign, "urn:epc:raw:96.x3000")
	id := sh.open(event.Count{MissingAfter: 2}, shelfA)
	sh.now += 1000
	sh.far[book(1, 1)] = "stockroom"
	sh.read(id, shelfA, -50, book(1, 1), book(1, 9), book(2, 1), book(2, 2), unknown, foreign)
	sh.now += 1000
	sh.put(&sh.items[sh.index[book(1, 3)]], shelfB, sh.now) // carried away while the count went on
	sh.put(&sh.items[sh.index[book(2, 1)]], stockroom, sh.now)
	r := sh.do("close", id)
	require.Equal(t, map[string]int{
		"heard_elsewhere": 1, "new_here": 1, "moved_here": 1, "newer_known": 2, "sold_but_present": 1,
		"unknown_product": 1, "foreign": 1, "missed_once": 1,
	}, findings(r))
	require.Equal(t, []int{3, 1, 2, 5}, []int{r.Expected, r.Matched, r.Missing, r.Unexpected})
	require.Empty(t, sh.log)

	id = sh.open(event.Count{MissingAfter: 2}, shelfA)
	sh.now += 1000
	r = sh.do("close", id)
	require.Equal(t, map[string]int{"missing": 1, "missed_once": 3, "newer_known": 2}, findings(r), "one missed by two counts running")
	require.Equal(t, []string{"missing"}, sh.log)

	sh.do("reopen", id)
	sh.now += 1000
	sh.read(id, shelfA, -50, book(1, 2))
	require.Equal(t, 1, findings(sh.do("close", id))["found_again"])
}

// A count that is opened again and closed once more missed its items once, and what it reported as
// missing stays so.
func TestAReopenedCountMissesOnce(t *testing.T) {
	sh := newShop(t)
	sh.stock(shelfA, book(1, 1), book(1, 2))
	id := sh.open(event.Count{MissingAfter: 2}, shelfA)
	for range 3 {
		sh.now += 1000
		require.Equal(t, map[string]int{"missed_once": 2}, findings(sh.do("close", id)))
		sh.now += 1000
		sh.do("reopen", id)
		require.False(t, sh.items[0].Missed)
	}
	sh.now += 1000
	sh.do("close", id)
	id = sh.open(event.Count{MissingAfter: 2}, shelfA)
	sh.now += 1000
	require.Equal(t, map[string]int{"missing": 2}, findings(sh.do("close", id)), "the next count misses them again")
	sh.do("reopen", id)
	sh.now += 1000
	require.Equal(t, map[string]int{"missing": 2}, findings(sh.do("close", id)))
	require.Equal(t, []string{"missing", "missing"}, sh.log, "each was reported once")
}

// A recount of what another count missed takes these items and no others, and its miss is the second
// one.
func TestARecountTakesWhatItLooksForAlone(t *testing.T) {
	sh := newShop(t)
	sh.stock(shelfA, book(1, 1), book(1, 2), book(1, 3))
	id := sh.open(event.Count{MissingAfter: 2}, shelfA)
	sh.now += 1000
	sh.read(id, shelfA, -50, book(1, 1))
	sh.now += 1000
	sh.do("close", id)
	sh.now += 1000
	sought := event.Count{
		ID: event.CountID("umberhithe", 99), Opened: sh.now, Zones: []string{"shelf-a"}, Only: true, MissingAfter: 2,
		Expected: []epc.Key{book(1, 3), book(1, 2)},
	}
	sh.b.Open(sought, []uint16{shelfA})
	sh.now += 1000
	sh.read(sought.ID, shelfA, -50, book(1, 1), book(1, 2), book(2, 9))
	p := sh.progress(sought.ID)
	require.Equal(t, []int{2, 1, 1}, []int{p.ExpectedItems, p.Found, p.Distinct})
	r := sh.do("close", sought.ID)
	require.Equal(t, []int{2, 1, 1, 0}, []int{r.Expected, r.Matched, r.Missing, r.Unexpected})
	require.Equal(t, map[string]int{"missing": 1}, findings(r))
}

func TestTwoCountsNextDoor(t *testing.T) {
	sh := newShop(t)
	mine, tied := book(1, 1), book(1, 2)
	a, b := sh.open(event.Count{}, shelfA), sh.open(event.Count{}, shelfB)
	for range 4 {
		sh.now += 1000
		sh.read(a, shelfA, -50, mine)
		sh.read(b, shelfB, -65, mine)
		sh.read(a, shelfA, -60, tied)
		sh.read(b, shelfB, -60, tied)
	}
	r := sh.do("close", b)
	require.Equal(t, map[string]int{"better_next_door": 1, "tied_next_door": 1, "new_here": 1}, findings(r))
	k := slices.IndexFunc(r.Differences, func(d event.Difference) bool { return d.Finding == event.BetterNextDoor })
	require.Equal(t, "shelf-a", r.Differences[k].Was)
	sh.now += 1000
	r = sh.do("close", a)
	require.Equal(t, 1, findings(r)["tied_next_door"])
	require.Len(t, r.Found, 2)
	it, _ := sh.Item(mine)
	require.Equal(t, "shelf-a", it.ZoneID)
}

// Of three zones each is better than another: by strength, by number, and by number. Whatever the
// order of the map that holds them, one zone is chosen.
func TestATagHeardInThreeZonesHasOneBest(t *testing.T) {
	for range 50 {
		c := count{tallies: make(map[tallyKey]*tally)}
		for z, best := range map[uint16]int16{1: -500, 2: -520, 3: -540} {
			c.tallies[tallyKey{book(1, 1), z}] = &tally{passes: 1, best: best, reads: 1 << z}
		}
		got := c.sightings()
		require.Len(t, got, 1)
		require.Equal(t, uint16(3), got[0].Zone)
	}
}

func TestDeliveryAgainstItsPapers(t *testing.T) {
	sh := newShop(t)
	papers := []event.Line{{GTIN: 9521234000020, Count: 1}, {GTIN: 9521234000020, Count: 1}}
	sh.Add(book(1, 51), "")
	id := sh.open(event.Count{Delivery: true, Expected: []epc.Key{book(1, 51), book(1, 50)}, Papers: papers}, stockroom)
	sh.now += 1000
	sh.read(id, stockroom, -50, book(1, 50), book(1, 99), book(2, 60), book(2, 61), book(2, 62))
	p := sh.progress(id)
	require.Equal(t, 4, p.ExpectedItems)
	require.Equal(t, 3, p.Found, "one by its name, two of three by their product")
	require.Equal(t, 5, p.Distinct)
	r := sh.do("close", id)
	require.Equal(t, map[string]int{"not_delivered": 1, "not_on_papers": 1, "more_than_papers": 1}, findings(r))
	require.Len(t, sh.log, 5)
}

func TestProgressOfACount(t *testing.T) {
	sh := newShop(t)
	sh.stock(shelfA, book(1, 1), book(1, 2), book(1, 3))
	id := sh.open(event.Count{}, shelfA, shelfB)
	p := sh.progress(id)
	require.Equal(t, 3, p.ExpectedItems)
	require.Zero(t, p.Found+p.PassesEnded+p.Distinct)
	require.Nil(t, p.Expected)

	sh.now += 1000
	sh.read(id, shelfA, -50, book(1, 1), book(1, 2), book(2, 7))
	sh.now += 1000
	sh.read(id, shelfB, -60, book(1, 1)) // in both zones: one tag
	sh.do("pass", id)
	sh.now += 1000
	sh.read(id, shelfA, -50, book(1, 1))
	p = sh.progress(id)
	require.Equal(t, Histogram{2, 0, 1}, p.Repeats, "the two heard once, and the one heard three times in two zones")
	require.Equal(t, 1, p.PassesEnded)
	require.Equal(t, Histogram{3}, p.InPasses, "the pass that goes on is left out")
	require.Equal(t, []int{2, 3, 5}, []int{p.Found, p.Distinct, p.Reads})

	sh.do("close", id)
	p = sh.progress(id)
	require.Equal(t, 2, p.PassesEnded, "it may be opened again")
	require.Equal(t, Histogram{2, 1}, p.InPasses)
	c, ok := sh.b.Count(id)
	require.True(t, ok)
	require.Equal(t, event.CountClosed, c.Status)
	require.Equal(t, []string{"shelf-a", "shelf-b"}, c.Zones)

	sh.open(event.Count{}, shelfA)
	_, ok = sh.b.Progress(id, sh.GTIN)
	require.False(t, ok, "a newer count of the zone ends it")
	_, ok = sh.b.Count(id)
	require.False(t, ok)
}

// TestProgressAgreesWithPlainCounting tells the same story twice: once to a count, once to maps.
func TestProgressAgreesWithPlainCounting(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		sh := newShop(rt)
		sh.stock(shelfA, book(1, 1), book(1, 2), book(1, 3), book(1, 4))
		id := sh.open(event.Count{}, shelfA, shelfB)
		reads, passes := map[epc.Key]int{}, map[epc.Key]map[int]bool{}
		pass := 1
		for range rapid.IntRange(0, 60).Draw(rt, "steps") {
			sh.now += 1000
			if rapid.IntRange(0, 9).Draw(rt, "what") == 0 && pass < 15 {
				sh.do("pass", id)
				pass++
				continue
			}
			k := book(1, rapid.IntRange(1, 8).Draw(rt, "tag"))
			sh.read(id, rapid.SampledFrom([]uint16{shelfA, shelfB}).Draw(rt, "zone"), -50, k)
			reads[k]++
			if passes[k] == nil {
				passes[k] = map[int]bool{}
			}
			passes[k][pass] = true
		}
		var wantReads, wantPasses Histogram
		found := 0
		for k, n := range reads {
			wantReads.add(n)
			before := 0
			for p := range passes[k] {
				if p < pass {
					before++
				}
			}
			wantPasses.add(before)
			if _, ok := sh.index[k]; ok {
				found++
			}
		}
		p := sh.progress(id)
		require.Equal(rt, wantReads, p.Repeats)
		require.Equal(rt, wantPasses, p.InPasses)
		require.Equal(rt, []int{found, len(reads), pass - 1}, []int{p.Found, p.Distinct, p.PassesEnded})
	})
}

// Reports of one tag that follow each other are one sighting; after five seconds of silence comes
// another (EPC UHF Gen2: a tag in session S1 keeps quiet for up to 5 s once read).
func TestBurstsAreOneSighting(t *testing.T) {
	sh := newShop(t)
	id := sh.open(event.Count{}, shelfA)
	for range 20 { // one tag lies in the beam for two seconds, another for the first of them
		sh.read(id, shelfA, -50, book(1, 1))
		sh.now += 100
	}
	sh.read(id, shelfA, -50, book(1, 2))
	p := sh.progress(id)
	require.Equal(t, []int{2, 2}, []int{p.Sighted, p.Sightings[0]})
	require.Equal(t, 1, p.Repeats[15])
	sh.now += 4900
	sh.read(id, shelfA, -50, book(1, 2))
	sh.now += 5000
	sh.read(id, shelfA, -50, book(1, 1), book(1, 2))
	p = sh.progress(id)
	require.Equal(t, []int{4, 2}, []int{p.Sighted, p.Sightings[1]})
}

func TestCurveDiesOut(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c := count{Count: event.Count{Opened: opening}}
		now, fresh, reads := opening, 0, 0
		for range rapid.IntRange(1, 400).Draw(rt, "steps") {
			now += rapid.Int64Range(0, 60_000).Draw(rt, "dt")
			n, r := rapid.IntRange(0, 5).Draw(rt, "new"), rapid.IntRange(0, 50).Draw(rt, "reads")
			c.curve(now, n, r)
			fresh, reads = fresh+n, reads+r
		}
		require.LessOrEqual(rt, len(c.Curve), curveBins)
		var length int64
		for _, b := range c.Curve {
			fresh, reads, length = fresh-b.New, reads-b.Reads, length+b.Ms
		}
		require.Zero(rt, fresh)
		require.Zero(rt, reads)
		require.Greater(rt, c.Opened+length, now)
	})
}

func digest(b *Book) (lines []string) {
	b.Digest(func(format string, args ...any) { lines = append(lines, fmt.Sprintf(format, args...)) })
	return lines
}

// Loading the records that were flushed, in any order of kinds, gives the same book.
func TestLoadingAgainChangesNothing(t *testing.T) {
	sh := newShop(t)
	sh.stock(shelfA, book(1, 1))
	var put [][2]string
	records := map[[2]string][]byte{}
	flush := func() {
		sh.b.Flush(func(kind, key string, value []byte) {
			put, records[[2]string{kind, key}] = append(put, [2]string{kind, key}), value
		})
	}
	for range 11 { // so that ids in order of text are not in order of time
		id := sh.open(event.Count{}, shelfA)
		sh.now += 1000
		sh.read(id, shelfA, -50, book(1, 1), book(2, 1))
		flush()
		sh.do("close", id)
		flush()
	}
	sh.read(sh.open(event.Count{}, shelfB), shelfB, -50, book(2, 3))
	sh.read(sh.open(event.Count{}, shelfB), shelfB, -50, book(2, 3))
	flush()
	require.Zero(t, sh.b.Pending())
	var again Book
	for i := len(put) - 1; i >= 0; i-- {
		if v := records[put[i]]; v != nil && put[i][0] != event.KindResult {
			if id, ok := strings.CutPrefix(put[i][1], ZonePrefix); ok && put[i][0] == event.KindAside {
				require.NoError(t, again.LoadZone(id, v))
				require.ErrorContains(t, again.LoadZone(id, v[1:]), "damaged")
				continue
			}
			require.NoError(t, again.Load(put[i][0], put[i][1], v))
		}
	}
	again.Loaded(func(id string) uint16 { return map[string]uint16{"shelf-a": shelfA, "shelf-b": shelfB}[id] })
	require.Len(t, again.order, 3, "the last of shelf A, closed, and the two that are open")
	require.Equal(t, digest(&sh.b), digest(&again))
	for i := range again.order {
		require.Equal(t, sh.b.order[i].zones, again.order[i].zones)
	}
}

func TestTallyRecords(t *testing.T) {
	k, tl := tallyKey{book(1, 1), 2}, &tally{reads: 21, sights: 2, best: -500, passes: 1, point: 3, last: opening, text: "x"}
	name, value := tallyName("umberhithe-count-7", k), appendTally(nil, tl)
	id, k2, back, err := decodeTally(name, value)
	require.NoError(t, err)
	require.Equal(t, []any{"umberhithe-count-7", k, tl}, []any{id, k2, back})

	old := append([]byte{1, value[1]}, value[3:]...) // the first version has no sightings: they count as one
	_, _, back, err = decodeTally(name, old)
	require.NoError(t, err)
	require.Equal(t, []uint32{21, 1}, []uint32{back.reads, uint32(back.sights)})

	var b Book
	for n := range len(value) - len(tl.text) {
		require.ErrorContains(t, b.Load(event.KindTally, name, value[:n]), "damaged")
	}
	require.ErrorContains(t, b.Load(event.KindTally, name, append([]byte{9}, value[1:]...)), "another version")
	require.ErrorContains(t, b.Load(event.KindTally, name[1:][:10], value), "damaged")
	require.Error(t, b.Load(event.KindCount, "a-count-1", []byte{1}))
}

func BenchmarkProgress(b *testing.B) {
	sh := newShop(b)
	id := sh.open(event.Count{}, shelfA, shelfB)
	const tags = 100_000
	for i := range tags {
		sh.read(id, uint16(shelfA+i%2), -55, book(1+i%2, i))
	}
	b.ReportAllocs()
	for b.Loop() {
		if p := sh.progress(id); p.Distinct != tags {
			b.Fatal(p.Distinct)
		}
	}
}
