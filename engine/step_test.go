package engine

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/rules"
)

// A small corner of Umberhithe Books, enough to test the fold.
const testLayout = `{
  "site": "umberhithe", "name": "Umberhithe Books", "time_zone": "Europe/London",
  "zones": [
    {"id": "front-tables", "name": "Front tables", "kind": "floor"},
    {"id": "shelf-a", "name": "Shelf A", "kind": "shelf"},
    {"id": "shelf-b", "name": "Shelf B", "kind": "shelf"},
    {"id": "stockroom", "name": "Stockroom", "kind": "stockroom"},
    {"id": "till", "name": "Till", "kind": "checkout"},
    {"id": "street-door", "name": "Street door", "kind": "exit", "lingering_after": "20s"}
  ],
  "read_points": [
    {"id": "tables-1", "role": "fixed", "zone": "front-tables", "silent_after": "5m"},
    {"id": "shelf-a-1", "role": "fixed", "zone": "shelf-a"},
    {"id": "shelf-b-1", "role": "fixed", "zone": "shelf-b"},
    {"id": "door-in", "role": "portal", "zone": "street-door", "side": "inner"},
    {"id": "door-out", "role": "portal", "zone": "street-door", "side": "outer"},
    {"id": "till-1", "role": "desk", "zone": "till"},
    {"id": "handheld-1", "role": "handheld"}
  ]
}`

const testProducts = `gtin,sku,name,category,price,home_zones,minimum
9521234000013,UB-1,The Tide Table,novels,12.50,shelf-a|front-tables,front-tables:2
9521234000020,UB-2,Harbour Lights,crime,9.99,shelf-b,
`

const testRules = `rules:
  - name: unpaid-at-door
    when: zone.kind == "exit" and item.sellable and not item.paid
    hold: 3s
    severity: urgent
    say: "{product.name} passed {zone.name} unpaid"
    send: [door-team]
  - name: wrong-zone
    when: item.sellable and item.present and zone.kind in ["shelf", "floor"] and not item.home
    hold: 10m
    say: "{product.name} is in {zone.name}"
    send: [floor-team]
  - name: below-minimum
    about: stock
    when: stock.has_minimum and stock.count < stock.minimum and stock.backroom > 0
    say: "{product.name}: {stock.count} of {stock.minimum} in {zone.name}"
    send: [floor-team]
  - name: reader-silent
    about: reader
    when: cause == "silent"
    say: "{reader.id} is silent"
    send: [floor-team]
`

func testConfig(t testing.TB, ruleText string) *Config {
	l, err := layout.Parse([]byte(testLayout))
	require.NoError(t, err)
	c, rowErrs := catalog.ParseCSV(strings.NewReader(testProducts), catalog.CSVOptions{})
	require.Empty(t, rowErrs)
	doc, diags := rules.Parse("rules.yaml", []byte(ruleText))
	require.Empty(t, diags)
	set, diags := rules.Compile(doc, rules.Known{})
	require.Empty(t, diags)
	require.NotNil(t, set)
	return &Config{Layout: l, Catalog: c, Rules: set}
}

// shop drives Step in words of the shop.
type shop struct {
	t     testing.TB
	cfg   *Config
	s     *Machine
	now   int64
	facts []event.Fact
	out   Batch
	log   []event.Entry
	tells []event.Delivery
	chgs  []AlertChange
}

var opening = time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC).UnixMilli()

func newShop(t testing.TB, ruleText string) *shop {
	cfg := testConfig(t, ruleText)
	return &shop{t: t, cfg: cfg, s: NewMachine("umberhithe", cfg), now: opening}
}

func book(product, serial int) epc.Key {
	gtin := map[int]uint64{1: 9521234000013, 2: 9521234000020}[product]
	e, err := epc.EncodeSGTIN96(gtin, 7, uint64(serial), 1)
	if err != nil {
		panic(err)
	}
	return e.Key()
}

func (sh *shop) step(e event.Entry) {
	e.Seq = sh.s.Seq() + 1
	if e.At == 0 {
		e.At = sh.now
	}
	sh.log = append(sh.log, e)
	require.NoError(sh.t, sh.s.Apply(&e, sh.cfg))
	sh.out = taken(sh.s)
	sh.facts = append(sh.facts, sh.out.Facts...)
	sh.tells = append(sh.tells, sh.out.Deliveries...)
	sh.chgs = append(sh.chgs, sh.out.Alerts...)
}

// taken returns what came of the entries since the last call. Unlike Batch it leaves what they wrote to
// be flushed later.
func taken(m *Machine) Batch {
	b := m.batch
	m.batch = Batch{m: m}
	return b
}

// read lets a read point hear keys now.
func (sh *shop) read(point string, rssi float64, keys ...epc.Key) {
	sh.readIn(point, "", rssi, keys...)
}

func (sh *shop) readIn(point, zone string, rssi float64, keys ...epc.Key) {
	e := event.Entry{Kind: event.EntryReads, At: sh.now, Points: []string{point}}
	z := uint16(0)
	if zone != "" {
		e.Zones, z = []string{zone}, 1
	}
	for _, k := range keys {
		e.Reads = append(e.Reads, event.Read{Key: k, Zone: z, RSSI: int16(rssi * 10), N: 1, T: sh.now})
	}
	sh.step(e)
}

func (sh *shop) event(typ event.EventType, zone string, keys ...epc.Key) {
	ev := event.Event{Type: typ, Zone: zone, T: sh.now}
	for _, k := range keys {
		ev.Tags = append(ev.Tags, event.Tag{Key: k})
	}
	sh.step(event.Entry{Kind: event.EntryEvents, Events: []event.Event{ev}})
}

// pass lets time go by, with the ticks that the server would append.
func (sh *shop) pass(d time.Duration) {
	end := sh.now + d.Milliseconds()
	for {
		next := sh.s.NextTimer()
		if next > end {
			break
		}
		sh.now = max(sh.now, next, sh.s.Clock()+1)
		before := sh.s.NextTimer()
		sh.step(event.Entry{Kind: event.EntryTick})
		require.Greater(sh.t, sh.s.NextTimer(), before, "a tick must carry out what is due")
	}
	sh.now = end
}

// stand lets a read point hear keys once a second for some seconds.
func (sh *shop) stand(point string, rssi float64, seconds int, keys ...epc.Key) {
	for range seconds {
		sh.read(point, rssi, keys...)
		sh.pass(time.Second)
	}
}

// walkOut carries keys through the street door, inner antenna first.
func (sh *shop) walkOut(keys ...epc.Key) {
	sh.walk("door-in", "door-out", keys...)
}

func (sh *shop) walk(first, second string, keys ...epc.Key) {
	begin := sh.now
	for _, leg := range []struct {
		point string
		rssi  []float64
	}{{first, []float64{-66, -60, -55, -60}}, {second, []float64{-60, -54, -58, -66}}} {
		for _, r := range leg.rssi {
			sh.read(leg.point, r, keys...)
			sh.pass(150 * time.Millisecond)
		}
	}
	for n := len(passages(sh)); len(passages(sh)) == n && sh.now < begin+12_000; {
		sh.pass(250 * time.Millisecond)
	}
}

// told lists facts in short words from index n on.
func (sh *shop) told(n int) []string {
	var words []string
	for _, f := range sh.facts[n:] {
		w := f.Cause.String()
		if f.Cause == event.Stock {
			w += fmt.Sprintf(" %s=%d", f.Zone, f.Count)
		} else if f.Zone != "" {
			w += " " + f.Zone
		}
		if f.From != "" {
			w += " from " + f.From
		}
		words = append(words, w)
	}
	return words
}

func (sh *shop) alerts() []string {
	var words []string
	for _, c := range sh.chgs {
		words = append(words, c.Alert.Rule+" "+c.Type[len("alert."):])
	}
	return words
}

func TestLateReadsDoNotMoveBack(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.readIn("handheld-1", "front-tables", -50, k)
	n := len(sh.facts)
	sh.step(event.Entry{Kind: event.EntryReads, Points: []string{"handheld-1"}, Zones: []string{"stockroom"},
		Reads: []event.Read{{Key: k, Zone: 1, RSSI: -500, N: 1, T: sh.now - 60_000}}})
	require.Empty(t, sh.told(n))
}

func TestWhatAnAlertAndItsMessagesCarry(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("shelf-a-1", -55, 10, k)
	sh.walkOut(k)
	sh.pass(3 * time.Second)
	require.Contains(t, string(sh.chgs[0].Alert.Why), `"text":"item.sellable"`)
	require.Len(t, sh.tells, 1)
	require.NotContains(t, sh.tells[0].ID, ".")
	require.Contains(t, string(sh.tells[0].Data), "not proof")
	sh.event(event.EventSold, "till", k)
	require.Equal(t, []int{1, 2}, []int{sh.tells[0].Order, sh.tells[1].Order})
}

func TestActsOnAlerts(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.readIn("handheld-1", "shelf-a", -50, k)
	sh.walkOut(k)
	sh.pass(5 * time.Second)
	id := sh.chgs[0].Alert.ID
	act := func(do, outcome string) {
		sh.step(event.Entry{Kind: event.EntryAct, By: "front desk", Act: event.Act{Alert: id, Do: do, Outcome: outcome, Note: "looked"}})
	}
	act("acknowledge", "")
	act("acknowledge", "")
	act("close", "maybe")
	act("close", "genuine")
	act("close", "false")
	require.Equal(t, []string{"unpaid-at-door opened", "unpaid-at-door acknowledged", "unpaid-at-door closed"}, sh.alerts())
	last := sh.chgs[2].Alert
	require.Equal(t, "genuine", last.Outcome)
	require.Equal(t, "front desk", last.ClosedBy)
}

func TestStepRefusesGaps(t *testing.T) {
	sh := newShop(t, testRules)
	before := sh.s.Digest()
	for _, seq := range []uint64{2, math.MaxUint64} {
		require.Error(t, sh.s.Apply(&event.Entry{Seq: seq, Kind: event.EntryTick, At: sh.now}, nil))
	}
	require.Equal(t, before, sh.s.Digest())
}
