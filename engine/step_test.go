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
    {"id": "street-door", "name": "Street door", "kind": "exit"}
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

func TestItemArrivesAndLeaves(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.read("shelf-a-1", -55, k)
	require.Empty(t, sh.told(0), "one read of a fixed reader is a stray until it comes again")
	sh.pass(time.Second)
	sh.stand("shelf-a-1", -55, 20, k)
	require.Equal(t, []string{"arrived shelf-a", "stock shelf-a=1"}, sh.told(0))
	sh.pass(20 * time.Second)
	require.Equal(t, []string{"left from shelf-a", "stock shelf-a=0"}, sh.told(2))
}

func TestWeakStrayNeverMoves(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("shelf-a-1", -55, 10, k)
	n := len(sh.facts)
	for range 60 {
		sh.read("shelf-a-1", -56, k)
		sh.read("shelf-b-1", -66, k)
		sh.pass(time.Second)
	}
	require.Empty(t, sh.told(n))
}

func TestMovesToStrongerReader(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("shelf-a-1", -55, 10, k)
	n := len(sh.facts)
	for range 20 {
		sh.read("shelf-b-1", -52, k)
		sh.pass(time.Second)
	}
	require.Equal(t, []string{"arrived shelf-b from shelf-a", "stock shelf-a=0", "stock shelf-b=1"}, sh.told(n))
}

func TestHandheldWinsAndLateReadsDoNotMoveBack(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("shelf-a-1", -55, 10, k)
	n := len(sh.facts)
	sh.readIn("handheld-1", "front-tables", -50, k)
	require.Equal(t, []string{"arrived front-tables from shelf-a", "stock shelf-a=0", "stock front-tables=1"}, sh.told(n)[:3])
	n = len(sh.facts)
	late := event.Entry{Kind: event.EntryReads, At: sh.now, Points: []string{"handheld-1"},
		Zones: []string{"stockroom"}, Reads: []event.Read{
			{Key: k, Zone: 1, RSSI: -500, N: 1, T: sh.now - 60_000},
		}}
	sh.step(late)
	require.Empty(t, sh.told(n))
}

func TestUnpaidExitBecomesAlert(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("shelf-a-1", -55, 10, k)
	n := len(sh.facts)
	sh.walkOut(k)
	require.Equal(t, []string{"passed shelf-a", "passed street-door from shelf-a"}, sh.told(n)[:2], "likely first, then sure")
	p := passages(sh)[0].Passage
	require.Equal(t, event.DirectionOut, p.Direction)
	require.Greater(t, p.Confidence, 0.8)
	require.Empty(t, sh.chgs)
	sh.pass(3 * time.Second)
	require.Equal(t, []string{"unpaid-at-door opened"}, sh.alerts())
	a := sh.chgs[0].Alert
	require.Equal(t, "The Tide Table passed Street door unpaid", a.Say)
	require.Contains(t, string(a.Why), `"text":"item.sellable"`)
	require.Len(t, sh.tells, 1)
	require.Equal(t, "door-team", sh.tells[0].Channel)
	require.NotContains(t, sh.tells[0].ID, ".")
	require.Contains(t, string(sh.tells[0].Data), "not proof")

	sh.event(event.EventSold, "till", k)
	require.Equal(t, []string{"unpaid-at-door opened", "unpaid-at-door cleared"}, sh.alerts())
	require.Equal(t, []int{1, 2}, []int{sh.tells[0].Order, sh.tells[1].Order})
}

func TestPaidExitIsQuiet(t *testing.T) {
	sh := newShop(t, testRules)
	k, late := book(1, 1), book(1, 2)
	sh.stand("shelf-a-1", -55, 10, k, late)
	sh.event(event.EventSold, "till", k)
	sh.walkOut(k, late)
	sh.event(event.EventSold, "till", late) // told late, within the hold
	sh.pass(time.Minute)
	require.Empty(t, sh.alerts())
}

func TestGoodsNearTheDoorDoNotPass(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("tables-1", -50, 5, k)
	for i := range 300 {
		if i%2 == 0 {
			sh.read("tables-1", -50, k)
		}
		if i%7 != 0 {
			sh.read("door-in", -67, k)
		}
		sh.pass(500 * time.Millisecond)
	}
	sh.pass(time.Minute)
	for _, f := range sh.facts {
		require.NotEqual(t, event.Passed, f.Cause)
	}
}

func TestTurnedBackAtTheDoor(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("shelf-a-1", -55, 10, k)
	for _, r := range []float64{-66, -60, -56, -58, -62, -66} {
		sh.read("door-in", r, k)
		sh.pass(200 * time.Millisecond)
	}
	sh.pass(time.Minute)
	for _, f := range sh.facts {
		require.NotEqual(t, event.Passed, f.Cause)
	}
}

func TestItemComesBackIn(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("shelf-a-1", -55, 10, k)
	sh.walkOut(k)
	sh.pass(10 * time.Second)
	require.Equal(t, []string{"unpaid-at-door opened"}, sh.alerts())
	sh.walk("door-out", "door-in", k)
	require.Equal(t, []string{"unpaid-at-door opened", "unpaid-at-door cleared"}, sh.alerts())
}

func TestWrongZoneHolds(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(2, 1) // its home is shelf-b
	sh.stand("shelf-a-1", -55, 60*5, k)
	require.Empty(t, sh.alerts())
	sh.stand("shelf-a-1", -55, 60*6, k)
	require.Equal(t, []string{"wrong-zone opened"}, sh.alerts())
	sh.readIn("handheld-1", "shelf-b", -50, k)
	require.Equal(t, []string{"wrong-zone opened", "wrong-zone cleared"}, sh.alerts())
}

func TestBelowMinimumNeedsBackroomStock(t *testing.T) {
	sh := newShop(t, testRules)
	table, back := []epc.Key{book(1, 1), book(1, 2), book(1, 3)}, book(1, 9)
	sh.readIn("handheld-1", "front-tables", -50, table...)
	sh.event(event.EventSold, "till", table[0], table[1])
	require.Empty(t, sh.alerts(), "nothing in the stockroom to refill with")
	sh.event(event.EventReceived, "stockroom", back)
	require.Equal(t, []string{"below-minimum opened"}, sh.alerts())
	require.Equal(t, "The Tide Table: 1 of 2 in Front tables", sh.chgs[0].Alert.Say)
	sh.pass(time.Second)
	sh.readIn("handheld-1", "front-tables", -50, back)
	require.Equal(t, []string{"below-minimum opened", "below-minimum cleared"}, sh.alerts())
}

func TestReaderFallsSilentAndIsHeardAgain(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.stand("tables-1", -50, 5, k)
	sh.pass(6 * time.Minute)
	require.Contains(t, sh.alerts(), "reader-silent opened")
	sh.read("tables-1", -50, k)
	require.Contains(t, sh.alerts(), "reader-silent cleared")
}

func TestUnknownTagIsForeignOnce(t *testing.T) {
	sh := newShop(t, testRules)
	raw := epc.Raw([]byte{0xE2, 0x80, 0x11, 0x60, 0, 0, 0, 1, 2, 3, 4, 5}, 96)
	e := event.Entry{Kind: event.EntryReads, Points: []string{"handheld-1"}, Zones: []string{"shelf-a", "shelf-b"}, Reads: []event.Read{
		{Key: raw.Key(), Text: raw.KeyText(), Zone: 1, RSSI: event.NoRSSI, N: 1, T: sh.now},
		{Key: raw.Key(), Text: raw.KeyText(), Zone: 2, RSSI: event.NoRSSI, N: 1, T: sh.now + 1},
	}}
	e.At = sh.now + 1
	sh.step(e)
	require.Equal(t, []string{"arrived shelf-a", "foreign shelf-a", "arrived shelf-b from shelf-a"}, sh.told(0))
	require.Equal(t, "urn:epc:raw:96.xE28011600000000102030405", sh.facts[0].Name())

	// Tied to a product by hand it is stock like any other.
	sh.step(event.Entry{Kind: event.EntryEvents, Events: []event.Event{{
		Type: event.EventRegistered, Tags: []event.Tag{{Key: raw.Key(), Text: raw.KeyText()}}, GTIN: 9521234000020, T: sh.now,
	}}})
	require.Equal(t, []string{"registered shelf-b from shelf-a", "stock shelf-b=1"}, sh.told(3))
}

func TestReturnedIsSellableAgain(t *testing.T) {
	sh := newShop(t, testRules)
	k := book(1, 1)
	sh.readIn("handheld-1", "shelf-a", -50, k)
	sh.event(event.EventSold, "till", k)
	sh.walkOut(k)
	sh.event(event.EventReturned, "till", k)
	sh.walkOut(k)
	sh.pass(5 * time.Second)
	require.Equal(t, []string{"unpaid-at-door opened"}, sh.alerts())
}

func TestTagFirstHeardAtTheDoorIsNobodysStock(t *testing.T) {
	sh := newShop(t, testRules)
	sh.walkOut(book(1, 77))
	sh.pass(time.Minute)
	require.Empty(t, sh.alerts(), "it may be the customer's own book, bought elsewhere")
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

func TestABagOfBooksIsOneAlert(t *testing.T) {
	sh := newShop(t, strings.Replace(testRules, "hold: 3s", "hold: 3s\n    gather: 5s", 1))
	var bag []epc.Key
	for i := range 20 {
		bag = append(bag, book(1, i))
	}
	sh.readIn("handheld-1", "shelf-a", -50, bag...)
	sh.pass(time.Second)
	sh.walkOut(bag...)
	sh.pass(20 * time.Second)
	require.Equal(t, []string{"unpaid-at-door opened", "unpaid-at-door gathered"}, sh.alerts())
	require.Len(t, sh.tells, 2)
	lead := sh.chgs[1].Alert
	require.Len(t, lead.Members, 19)

	// It ends when the last of them is paid for.
	sh.event(event.EventSold, "till", bag[:19]...)
	require.Len(t, sh.tells, 2)
	sh.event(event.EventSold, "till", bag[19])
	require.Equal(t, "unpaid-at-door cleared", sh.alerts()[2])

	// What a person closes is closed with all that joined it.
	sh.event(event.EventReturned, "till", bag...)
	sh.pass(time.Minute)
	sh.walkOut(bag...)
	sh.pass(20 * time.Second)
	last := sh.chgs[len(sh.chgs)-1].Alert
	sh.step(event.Entry{Kind: event.EntryAct, By: "door", Act: event.Act{Alert: last.ID, Do: "close", Outcome: "false"}})
	require.Nil(t, sh.s.alerts.Alert(last.ID))
	for _, a := range sh.s.LiveAlerts() {
		require.NotEqual(t, last.ID, a.Lead)
	}
}
