package engine

import (
	"encoding/binary"
	"flag"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/stock"
)

// The properties of whole days take seconds for each ten days, so fewer are drawn than the hundred that rapid would.
// DEVELOPERS.md has the command that draws more.
func init() {
	if f := flag.Lookup("rapid.checks"); f != nil {
		f.DefValue = "30"
		_ = f.Value.Set(f.DefValue)
	}
}

// journalOf draws a random day: reads of every role, late and repeated ones, business events, acts
// on alerts, and the ticks that the server would add.
func journalOf(rt *rapid.T, cfg *Config) []event.Entry {
	s := NewMachine("umberhithe", cfg)
	now := opening
	var log []event.Entry
	var alerts []string
	add := func(e event.Entry) {
		e.Seq, e.At = uint64(len(log)+1), now
		log = append(log, e)
		if err := s.Apply(&e, nil); err != nil {
			rt.Fatalf("apply: %v", err)
		}
		for _, c := range s.Batch().Alerts {
			alerts = append(alerts, c.Alert.ID)
		}
	}
	wait := func(dt int64) {
		for until := now + dt; ; {
			next := s.NextTimer()
			if next > until {
				now = until
				return
			}
			now = max(now, next, s.Clock()+1)
			add(event.Entry{Kind: event.EntryTick})
		}
	}
	keys := make([]epc.Key, 0, 8)
	for i := range 6 {
		keys = append(keys, book(1+i%2, 1+i))
	}
	words := epc.Raw([]byte{0xE2, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10}, 96)
	var counts []string
	points := []string{"tables-1", "shelf-a-1", "shelf-b-1", "door-in", "door-out", "till-1", "handheld-1", "not-there"}
	zones := []string{"front-tables", "shelf-a", "shelf-b", "stockroom", "nowhere"}
	// What each item sits near changes rarely, so that windows fill and empty as they do in a shop.
	near := make([]int, len(keys)+1)
	waits := []int64{0, 80, 150, 150, 400, 1000, 1000, 1000, 3000, 12_000, 70_000}
	if len(s.bound.dayRules) > 0 {
		waits = append(waits, 15*hourMs)
	}
	for range rapid.IntRange(20, 120).Draw(rt, "steps") {
		dt := rapid.SampledFrom(waits).Draw(rt, "dt")
		wait(dt)
		switch rapid.IntRange(0, 16).Draw(rt, "what") {
		case 14: // a walk to the door, and through it or back again, as a reader reports it
			i, back := rapid.IntRange(0, len(keys)-1).Draw(rt, "who"), rapid.Bool().Draw(rt, "back")
			for n := range int64(16) {
				at := n // 8 is the middle of the door
				if back && n > 11 {
					at = 2 * (16 - n)
				}
				e := event.Entry{Kind: event.EntryReads, Points: points}
				for side, middle := range []int64{6, 10} {
					if level := 520 + 15*(at-middle)*(at-middle); level < 720 && rapid.IntRange(0, 3).Draw(rt, "missed") > 0 {
						e.Reads = append(e.Reads, event.Read{Key: keys[i], N: 1, Point: uint16(3 + side), RSSI: int16(-level), T: now})
					}
				}
				add(e)
				wait(rapid.SampledFrom([]int64{150, 250, 350}).Draw(rt, "stride"))
			}
		case 15: // somebody stands at the door with an item, or it is put down there
			i, level := rapid.IntRange(0, len(keys)-1).Draw(rt, "who"), rapid.SampledFrom([]int16{-700, -550}).Draw(rt, "level")
			phase := rapid.SampledFrom([]int64{0, 900}).Draw(rt, "phase")
			for n := range rapid.Int64Range(5, 35).Draw(rt, "for") {
				e := event.Entry{Kind: event.EntryReads, Points: points}
				e.Reads = append(e.Reads, event.Read{Key: keys[i], N: 1, Point: 3, RSSI: level, T: now, Channel: 8660, Phase: uint16(1 + n%2*phase)})
				add(e)
				wait(rapid.SampledFrom([]int64{400, 1000, 3000}).Draw(rt, "stands"))
			}
		case 16: // what the index of all shops says, of items that were heard here or not yet
			e := event.Entry{Kind: event.EntryElsewhere, By: "runner"}
			for range rapid.IntRange(1, 3).Draw(rt, "elsewhere") {
				x := event.Elsewhere{Key: rapid.SampledFrom(keys).Draw(rt, "key")}
				if id := rapid.SampledFrom([]string{"", "harbour-branch", "tidemill"}).Draw(rt, "shop"); id != "" {
					x.Site = event.OtherSite{ID: id, Name: "The " + id}
				}
				e.Elsewhere = append(e.Elsewhere, x)
			}
			add(e)
		case 12:
			cmd := event.CountCommand{Do: "open", Zones: []string{rapid.SampledFrom(zones).Draw(rt, "counted")},
				MissingAfter: rapid.IntRange(1, 2).Draw(rt, "missing"), Careful: rapid.Bool().Draw(rt, "careful")}
			switch rapid.IntRange(0, 4).Draw(rt, "what kind") {
			case 0:
				cmd.Delivery, cmd.Papers = true, []event.Line{{GTIN: 9521234000013, Count: 2}}
			case 1:
				cmd.Only, cmd.Tags, cmd.Blind = true, []event.Tag{{Key: keys[0]}}, true
				cmd.Fields = []event.Field{{ID: "round", Value: "night"}}
			}
			if len(counts) > 0 && rapid.Bool().Draw(rt, "go on") {
				cmd.ID = rapid.SampledFrom(counts).Draw(rt, "count")
				cmd.Do = rapid.SampledFrom([]string{"pause", "resume", "pass", "close", "close", "discard", "reopen"}).Draw(rt, "do")
			}
			add(event.Entry{Kind: event.EntryCount, By: "floor", Command: cmd})
			if cmd.Do == "open" {
				counts = append(counts, event.CountID("umberhithe", uint64(len(log))))
			}
		case 13:
			if len(counts) == 0 {
				break
			}
			e := event.Entry{Kind: event.EntryReads, Points: points, Zones: zones, Count: rapid.SampledFrom(counts).Draw(rt, "count")}
			for range rapid.IntRange(1, 8).Draw(rt, "reads") {
				e.Reads = append(e.Reads, event.Read{
					Key: rapid.SampledFrom(keys).Draw(rt, "key"), N: 1, Point: 6,
					Zone: uint16(rapid.IntRange(0, len(zones)).Draw(rt, "declared")),
					RSSI: int16(rapid.IntRange(-75, -45).Draw(rt, "rssi") * 10), T: now - rapid.Int64Range(0, 3000).Draw(rt, "ago"),
				})
			}
			add(e)
		case 0:
			ev := event.Event{Type: event.EventType(rapid.IntRange(1, 6).Draw(rt, "event")),
				Zone: rapid.SampledFrom(zones).Draw(rt, "zone"), T: now - rapid.Int64Range(0, 5000).Draw(rt, "ago")}
			ev.Tags = []event.Tag{{Key: rapid.SampledFrom(keys).Draw(rt, "key")}}
			add(event.Entry{Kind: event.EntryEvents, Events: []event.Event{ev}})
		case 1:
			if len(alerts) > 0 {
				add(event.Entry{Kind: event.EntryAct, By: "floor", Act: event.Act{
					Alert:   rapid.SampledFrom(alerts).Draw(rt, "alert"),
					Do:      rapid.SampledFrom([]string{"acknowledge", "close", "comment", "correct"}).Draw(rt, "do"),
					Outcome: rapid.SampledFrom([]string{"genuine", "false"}).Draw(rt, "outcome"), Note: "looked",
				}})
			}
		case 2:
			near[rapid.IntRange(0, len(near)-1).Draw(rt, "who")] = rapid.IntRange(0, len(points)-1).Draw(rt, "near")
		default:
			e := event.Entry{Kind: event.EntryReads, Points: points, Zones: zones}
			for range rapid.IntRange(1, 12).Draw(rt, "reads") {
				i := rapid.IntRange(0, len(keys)).Draw(rt, "item")
				r := event.Read{N: 1, Point: uint16(near[i]), RSSI: int16(rapid.IntRange(-75, -45).Draw(rt, "rssi") * 10), T: now}
				if rapid.IntRange(0, 9).Draw(rt, "stray") == 0 {
					r.Point = uint16(rapid.IntRange(0, len(points)-1).Draw(rt, "point"))
				}
				if rapid.IntRange(0, 9).Draw(rt, "late") == 0 {
					r.T -= rapid.SampledFrom([]int64{300, 2000, 30_000, 300_000, -60_000}).Draw(rt, "by")
				}
				if points[r.Point] == "handheld-1" {
					r.Zone = uint16(rapid.IntRange(0, len(zones)).Draw(rt, "declared"))
				}
				if i == len(keys) {
					r.Key, r.Text = words.Key(), words.KeyText()
				} else {
					r.Key = keys[i]
				}
				e.Reads = append(e.Reads, r)
			}
			add(e)
		}
	}
	return log
}

// told is one thing that came of a journal, in words that don't depend on how entries were
// numbered.
type run struct {
	state *Machine
	facts []string
	exact []string // the stored bytes of facts, alerts and deliveries
}

func (r *run) take(out Batch) {
	for i := range out.Facts {
		f := out.Facts[i]
		r.exact = append(r.exact, fmt.Sprintf("%d-%d %x", f.Ms, f.N, event.AppendFact(nil, &f)))
		r.facts = append(r.facts, fmt.Sprintf("%s %v %s<-%s %s at %d %v %d %s", f.Cause, f.Key, f.Zone, f.From, f.Point,
			f.At, f.Passage, f.Count, f.Disp))
	}
	for i := range out.Alerts {
		r.exact = append(r.exact, out.Alerts[i].Type+string(event.AppendAlert(nil, &out.Alerts[i].Alert)))
	}
	for i := range out.Deliveries {
		r.exact = append(r.exact, string(event.AppendDelivery(nil, &out.Deliveries[i])))
	}
}

func fold(rt require.TestingT, cfg *Config, log []event.Entry) *run {
	r := &run{state: NewMachine("umberhithe", cfg)}
	for i := range log {
		e := log[i]
		e.Seq = uint64(i + 1)
		require.NoError(rt, r.state.Apply(&e, nil))
		r.take(taken(r.state))
		requireTrueStock(rt, r.state)
		requireTrueZones(rt, r.state)
	}
	return r
}

// requireTrueStock checks that the counts equal the items behind them.
func requireTrueStock(rt require.TestingT, s *Machine) {
	want, said := map[stock.Key]int{}, map[stock.Key]int{}
	for i := range s.count {
		if k := s.stockOf(s.item(i)); k != stock.None {
			want[k]++
		}
	}
	for product := range s.bound.cfg.Catalog.Len() {
		for zone := range s.bound.layout.Zones {
			k := stock.Key{Product: int32(product), Zone: uint16(zone)}
			if n := s.stock.Count(k); n != 0 {
				said[k] = n
			}
		}
	}
	require.Equal(rt, want, said)
}

// requireTrueZones checks that what rules about zones count equals the items behind it.
func requireTrueZones(rt require.TestingT, s *Machine) {
	eval := s.bound.rules.NewEvaluator()
	for _, zr := range s.zones.order {
		for _, t := range zr.tallies {
			count, oldest := 0, int64(math.MaxInt64)
			for i := range s.count {
				it := s.item(i)
				if it.Zone != t.zone {
					continue
				}
				q := view{core: &s.core}
				if u := newTally(t.zone, t.rule, eval); u.counts(&q, it) {
					count, oldest = count+1, min(oldest, it.Since)
				}
			}
			require.Equal(rt, count, t.count)
			if since, ok := t.oldest(); t.aged {
				require.Equal(rt, count > 0, ok)
				if ok {
					require.Equal(rt, oldest, since)
				}
			}
		}
	}
}

// whereabouts says where everything is, without the numbering of entries.
func whereabouts(s *Machine) string {
	var lines []string
	for i := range s.count {
		it := s.item(i)
		lines = append(lines, fmt.Sprintf("%v in %s since %d seen %d %s declared %v", it.key, s.idOf(it.Zone), it.Since,
			it.Seen, it.Disposition, it.flags&flagDeclared != 0))
	}
	slices.Sort(lines)
	return strings.Join(lines, "\n")
}

func TestTwoRunsOverOneJournalAreTheSame(t *testing.T) {
	for _, src := range []string{testRules, noisyRules} {
		cfg := testConfig(t, src)
		rapid.Check(t, func(rt *rapid.T) {
			log := journalOf(rt, cfg)
			a, b := fold(rt, cfg, log), fold(rt, cfg, log)
			require.Equal(rt, a.exact, b.exact)
			require.Equal(rt, a.state.Digest(), b.state.Digest())
		})
	}
}

func TestJournalEncodingRoundTrips(t *testing.T) {
	cfg := testConfig(t, testRules)
	rapid.Check(t, func(rt *rapid.T) {
		log := journalOf(rt, cfg)
		var e event.Entry
		for i := range log {
			e.Seq = log[i].Seq
			require.NoError(rt, event.DecodeEntry(event.AppendEntry(nil, &log[i]), &e))
			require.Equal(rt, event.AppendEntry(nil, &log[i]), event.AppendEntry(nil, &e))
			require.Len(rt, e.Reads, len(log[i].Reads))
		}
	})
}

// named reports whether an entry refers to another by its number.
func named(e event.Entry) bool {
	return e.Kind == event.EntryAct || e.Kind == event.EntryCount || e.Count != ""
}

func TestSplittingBatchesChangesNothing(t *testing.T) {
	cfg := testConfig(t, testRules)
	rapid.Check(t, func(rt *rapid.T) {
		log := journalOf(rt, cfg)
		var split []event.Entry
		for _, e := range log {
			if e.Kind != event.EntryReads || len(e.Reads) < 2 {
				split = append(split, e)
				continue
			}
			cut := rapid.IntRange(1, len(e.Reads)-1).Draw(rt, "cut")
			first, second := e, e
			first.Reads, second.Reads = e.Reads[:cut], e.Reads[cut:]
			split = append(split, first, second)
		}
		// Acts name alerts, and commands counts, by ids that hold the entry's number: leave them
		// out of this comparison.
		noActs := func(log []event.Entry) []event.Entry { return slices.DeleteFunc(slices.Clone(log), named) }
		a, b := fold(rt, cfg, noActs(log)), fold(rt, cfg, noActs(split))
		require.Equal(rt, a.facts, b.facts)
		require.Equal(rt, whereabouts(a.state), whereabouts(b.state))
	})
}

func TestRepeatingBatchesChangesNothing(t *testing.T) {
	cfg := testConfig(t, testRules)
	rapid.Check(t, func(rt *rapid.T) {
		log := slices.DeleteFunc(journalOf(rt, cfg), named)
		var twice []event.Entry
		for _, e := range log {
			twice = append(twice, e)
			if e.Kind == event.EntryReads {
				twice = append(twice, e)
			}
		}
		a, b := fold(rt, cfg, log), fold(rt, cfg, twice)
		require.Equal(rt, a.facts, b.facts)
		require.Equal(rt, whereabouts(a.state), whereabouts(b.state))
	})
}

// records is a store that keeps only the records.
type records map[[2]string][]byte

func (rec records) commit(s *Machine) {
	for _, c := range s.flush() {
		k := [2]string{c.Kind, c.Key}
		if c.Value == nil {
			delete(rec, k)
		} else {
			rec[k] = slices.Clone(c.Value)
		}
	}
}

func (rec records) load(rt require.TestingT, cfg *Config, log []event.Entry) *Machine {
	m, err := DecodeMeta(rec[[2]string{event.KindMeta, event.KindMeta}])
	require.NoError(rt, err)
	names := make(map[uint16]string)
	for k, v := range rec {
		if k[0] == event.KindName {
			names[binary.BigEndian.Uint16([]byte(k[1]))] = string(v)
		}
	}
	l, err := NewLoader("umberhithe", cfg, m, names)
	require.NoError(rt, err)
	for k := range maps.Keys(rec) { // in no order, as a store yields them
		require.NoError(rt, l.Record(k[0], k[1], rec[k]), k[0])
	}
	after, last := l.From()
	for i := after; i < last; i++ {
		e := log[i]
		e.Seq = i + 1
		l.Replay(&e)
	}
	return l.Machine()
}

func dumped(s *Machine) string {
	var b strings.Builder
	dump(&s.core, &b)
	return b.String()
}

func TestRecordsSurviveDamage(t *testing.T) {
	cfg := testConfig(t, testRules)
	sh := newShop(t, testRules)
	sh.readIn("handheld-1", "shelf-a", -50, book(1, 1))
	sh.walkOut(book(1, 1))
	sh.pass(5 * time.Second)
	for _, c := range sh.s.flush() {
		for cut := range len(c.Value) {
			l, err := NewLoader("umberhithe", cfg, Meta{}, nil)
			require.NoError(t, err)
			_ = l.Record(c.Kind, c.Key, c.Value[:cut]) // must not panic
		}
	}
}

func FuzzDecodeRecords(f *testing.F) {
	f.Add(event.AppendAlert(nil, &event.Alert{ID: "umberhithe-1-1", Rule: "r", Why: []byte("{}"), Send: []string{"c"}}))
	f.Add(event.AppendDelivery(nil, &event.Delivery{ID: "msg_1", Data: []byte("{}")}))
	f.Add(event.AppendFact(nil, &event.Fact{Cause: event.Passed, Zone: "street-door"}))
	f.Fuzz(func(t *testing.T, b []byte) {
		_, _ = event.DecodeAlert(b)
		_, _ = event.DecodeDelivery(b)
		_, _ = DecodeMeta(b)
		var fact event.Fact
		_ = event.DecodeFact(b, 1, 2, &fact)
	})
}

// noisyRules have every means against noise, with times short enough for a random day.
const noisyRules = `params:
  near: {default: 1, min: 0, max: 9, sites: {umberhithe: 2}}
storm: 3 per 30s
rules:
  - name: moved
    when: zone.kind in ["shelf", "floor"]
    quiet: 20s
    limit: 2 per 20s
    remind: 1m
    send: [floor-team]
    but: {when: zone.kind == "shelf", severity: urgent, send: [floor-team, manager]}
  - name: out
    when: zone.kind == "exit" and not item.paid
    gather: 10s
    gather_by: zone
    escalate: 10s
    escalate_to: [manager]
    send: [door-team]
    but:
      - {when: 'product.category == "crime"', severity: info, say: "one of {product.name}", send: [guard]}
      - {when: at.minute >= 3, severity: urgent, send: []}
  - name: together
    when: item.present and from.kind == "shelf"
    gather: 30s
    gather_by: from
    needs: 2
    but: {when: 'product.category == "crime"', severity: urgent, send: [manager]}
    escalate: 1m
    escalate_to: [manager]
    send: [floor-team]
  - name: at-work
    when: zone.kind == "shelf" and item.present
    hours: mon 10:01-10:02, mon 10:04-12:00
    hold: 2s
    clear: 10s
    remind: 1m
    send: [floor-team]
  - name: of-another-shop
    when: item.at_other_site != "" and item.present
    say: "{product.name} is of {item.other_site_name}"
    hold: 2s
    send: [floor-team]
  - name: few
    about: stock
    when: stock.count < params.near
    hours: mon 10:02-12:00
    quiet: 1m
    send: [floor-team]
  - name: quiet-reader
    about: reader
    when: cause == "silent"
    send: [systems-team]
  - name: not-counted
    about: count
    when: count.overdue and zone.kind != "exit"
    hold: 20s
    remind: 1m
    send: [floor-team]
  - name: short
    about: count
    when: count.most_short > 1 or count.short > 0
    send: [floor-team]
  - name: long-silent
    about: reader
    when: reader.silent_seconds > 400 and reader.silent_seconds < 900
    send: [systems-team]
  - name: near-door
    when: near.seconds >= 20 and not item.paid
    say: "{product.name} near {near.name} for {near.seconds}"
    send: [floor-team]
  - name: near-any
    when: cause == "near"
    quiet: 20s
  - name: full
    about: zone
    items: item.sellable and product.category == "novels"
    when: zone.selling and items.count > 1
    hold: 2s
    send: [floor-team]
  - name: busy
    about: zone
    within: 1m
    when: items.came >= 2 or items.went > 2
    quiet: 10s
    send: [floor-team]
  - name: long-there
    about: zone
    items: not item.paid
    when: items.oldest_seconds > 90 and items.oldest_seconds * 2 < 500
    send: [floor-team]
  - name: emptied-by-ten-past
    about: zone
    when: zone.kind != "checkout" and items.count > 0 and at.minute >= 10
    send: [floor-team]
  - name: not-at-noon
    about: zone
    items: item.foreign or item.home
    within: 30s
    when: items.went > 0 and site.open and at.hour < 12
    gather: 10s
    gather_by: zone
    send: [floor-team]
`
