package bench

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"lintel/engine/epc"
)

const (
	batchReads = 500
	batchTags  = 100 // each is read batchReads/batchTags times
	moveOneIn  = 10  // of the tags of a batch one in so many is in another zone than before
	zones      = 20
	products   = 1000
	readers    = 8
	timeLayout = "2006-01-02T15:04:05.000Z"
)

// body is a batch as JSON with the places where the times stand, so that the same batch can be sent
// again with the present time.
type body struct {
	data  []byte
	times []int
}

// stamp writes the present time into every read, a few milliseconds apart.
func (b *body) stamp(now time.Time) {
	var buf [64]byte
	var text []byte
	for i, at := range b.times {
		if i%batchTags == 0 {
			text = now.Add(-time.Duration(len(b.times)/batchTags-i/batchTags)*time.Millisecond).UTC().AppendFormat(buf[:0], timeLayout)
		}
		copy(b.data[at:], text)
	}
}

// shop is the bench's own shop: its documents and its traffic.
type shop struct {
	rng   *rand.Rand
	items int
	hexes []string
	at    []uint8 // zone of each item
}

func newShop(items int) (*shop, error) {
	s := &shop{rng: rand.New(rand.NewPCG(7, uint64(items))), items: items, hexes: make([]string, items), at: make([]uint8, items)}
	for i := range s.hexes {
		e, err := epc.EncodeSGTIN96(gtin(i%products), 7, uint64(i), 1)
		if err != nil {
			return nil, err
		}
		s.hexes[i] = e.Hex()
		s.at[i] = uint8(i % zones)
	}
	return s, nil
}

// gtin returns the GTIN-14 of a product under the demonstration prefix 952.
func gtin(product int) uint64 {
	digits := fmt.Sprintf("09521234%05d", product)
	check, err := epc.CheckDigit(digits)
	if err != nil {
		panic(err) // only digits
	}
	var n uint64
	for _, c := range digits + string(check) {
		n = n*10 + uint64(c-'0')
	}
	return n
}

// stockUp yields batches that tell every item once.
func (s *shop) stockUp(yield func(*body) error) error {
	for i := 0; i < s.items; i += batchReads {
		var b body
		b.data = append(b.data, '[')
		for k := i; k < min(s.items, i+batchReads); k++ {
			s.read(&b, k)
		}
		b.data = append(b.data, ']')
		if err := yield(&b); err != nil {
			return err
		}
	}
	return nil
}

// batch makes a batch of new traffic.
func (s *shop) batch() *body {
	var tags [batchTags]int
	for k := range tags {
		tags[k] = s.rng.IntN(s.items)
		if s.rng.IntN(moveOneIn) == 0 {
			s.at[tags[k]] = uint8(s.rng.IntN(zones))
		}
	}
	b := &body{data: make([]byte, 0, batchReads*130)}
	b.data = append(b.data, '[')
	for k := range batchReads {
		s.read(b, tags[k%batchTags])
	}
	b.data = append(b.data, ']')
	return b
}

func (s *shop) read(b *body, i int) {
	if len(b.data) > 1 {
		b.data = append(b.data, ',')
	}
	b.data = fmt.Appendf(b.data, `{"epc":"%s","read_point":"handheld-%d","zone":"z%02d","rssi":-%d.5,"time":"`,
		s.hexes[i], i%readers, s.at[i], 45+s.rng.IntN(25))
	b.times = append(b.times, len(b.data))
	b.data = append(b.data, timeLayout...)
	b.data = append(b.data, `"}`...)
}

func layoutJSON() []byte {
	var b strings.Builder
	b.WriteString(`{"site":"bench","name":"Umberhithe Books, bench","time_zone":"Europe/London","zones":[`)
	kinds := []string{"shelf", "floor", "shelf", "stockroom"}
	for z := range zones {
		fmt.Fprintf(&b, `{"id":"z%02d","kind":"%s"},`, z, kinds[z%len(kinds)])
	}
	b.WriteString(`{"id":"probe","kind":"other"}],"read_points":[`)
	for r := range readers {
		fmt.Fprintf(&b, `{"id":"handheld-%d","role":"handheld"},`, r)
	}
	b.WriteString(`{"id":"probe-1","role":"handheld"}]}`)
	return []byte(b.String())
}

func productsCSV() []byte {
	var b strings.Builder
	b.WriteString("gtin,sku,name,category,price,home_zones\n")
	for p := range products {
		fmt.Fprintf(&b, "%014d,UB-%d,Book %d,cat-%d,%d.50,z%02d|z%02d\n", gtin(p), p, p, p%40, 5+p%30, p%zones, (p+1)%zones)
	}
	return []byte(b.String())
}

// rulesYAML writes n rules. The first notifies about the probe; three are general, as every shop has them; of the rest one
// in ten is about what is in a zone, one in ten about two steps, and the others about one zone, product or category.
func rulesYAML(n int) []byte {
	var b strings.Builder
	// The probe measures how fast alerts are notified, so none may be gathered into one for there
	// being many.
	b.WriteString(`storm: 10000 per 10s
rules:
  - {name: probe, when: 'cause == "arrived" and zone.id == "probe"', say: "{item.serial}", send: [bench]}
  - {name: unpaid-at-door, when: 'zone.kind == "exit" and item.sellable and not item.paid', hold: 3s, severity: urgent, send: [bench]}
  - {name: wrong-zone, when: 'item.sellable and item.present and zone.kind in ["shelf", "floor"] and not item.home',
      hold: 24h, send: [bench]}
  - {name: below-minimum, about: stock, when: 'stock.has_minimum and stock.count < stock.minimum and stock.backroom > 0', send: [bench]}
`)
	for i := 4; i < n; i++ {
		what, when := "", ""
		switch i % 10 {
		case 0, 3, 6:
			when = fmt.Sprintf(`zone.id == "z%02d" and item.sellable and product.price > 100`, i%zones)
		case 1, 4, 7:
			when = fmt.Sprintf(`product.category == "cat-%d" and zone.kind == "fitting" and not item.home`, i%40)
		case 2, 5:
			when = fmt.Sprintf(`product.sku == "UB-%d" and item.paid and zone.kind == "shelf"`, i)
		case 8:
			what, when = "about: zone, items: item.sellable, ", fmt.Sprintf(`zone.id == "z%02d" and items.count > 100_000`, i%zones)
		case 9:
			what = fmt.Sprintf(`first: 'cause == "arrived" and product.sku == "UB-%d"', within: 10m, `, i)
			when = `zone.kind == "exit"`
		}
		fmt.Fprintf(&b, "  - {name: rule-%d, %swhen: '%s', send: [bench]}\n", i, what, when)
	}
	return []byte(b.String())
}
