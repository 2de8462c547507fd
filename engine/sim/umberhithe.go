package sim

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"sync"

	"lintel/engine/catalog"
	"lintel/engine/epc"
)

// ProductsSeed is the seed of the shop's own product list, which ProductsCSV returns.
const ProductsSeed = 1

// companyPrefix is under the prefix 952, which GS1 keeps for demonstrations and examples (GS1
// General Specifications, figure "GS1 Prefixes"; from memory).
const (
	companyPrefix       = "9521234"
	companyPrefixDigits = len(companyPrefix)
	tableMinimum        = 3 // copies of each product that should lie on the front tables
	shelfMinimum        = 2
	strangerPrefix      = "9527777" // of tags that customers bring along
)

//go:embed umberhithe/layout.json
var layoutJSON []byte

//go:embed umberhithe/rules.yaml
var rulesYAML []byte

// Layout returns the layout document of Umberhithe Books, an invented bookshop on two floors.
func Layout() []byte { return bytes.Clone(layoutJSON) }

// Rules returns the rule document that the shop starts with. It names the channels door-team and
// floor-team.
func Rules() []byte { return bytes.Clone(rulesYAML) }

var productsCSV = sync.OnceValue(func() []byte { return makeProducts(ProductsSeed) })

// shopCatalog is shared by all runs: a catalogue does not change.
var shopCatalog = sync.OnceValue(func() *catalog.Catalog { return Products(ProductsSeed) })

// ProductsCSV returns the shop's 300 products in the form that catalog.ParseCSV reads.
func ProductsCSV() []byte { return bytes.Clone(productsCSV()) }

// Products returns 300 invented products with titles, prices, home zones and minimums. Equal seeds
// give equal products.
func Products(seed uint64) *catalog.Catalog {
	c, errs := catalog.ParseCSV(bytes.NewReader(makeProducts(seed)), catalog.CSVOptions{})
	if len(errs) > 0 {
		panic(fmt.Sprintf("sim: the generated products are no product list: %v", errs[0])) // a test reads many seeds
	}
	return c
}

func makeProducts(seed uint64) []byte {
	rng := rand.New(rand.NewPCG(seed, streamProducts))
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	_ = w.Write([]string{"gtin", "sku", "name", "category", "price", "home_zones", "minimum", "attr.author"}) // a buffer takes everything
	used := map[string]bool{}
	number := 0
	for _, c := range categories {
		for i := range c.products {
			name := title(rng, c)
			for used[name] {
				name = title(rng, c)
			}
			used[name] = true
			// Prices end in 99 or 49 pence.
			price := (c.low+rng.IntN(c.top-c.low+1))/50*50 - 1
			homes, minimum := []string{c.home}, c.home+":"+strconv.Itoa(shelfMinimum)
			switch {
			case c.home == tables:
				minimum = tables + ":" + strconv.Itoa(tableMinimum)
			case i < c.tables:
				homes = append(homes, tables)
				minimum += "|" + tables + ":" + strconv.Itoa(tableMinimum)
			}
			_ = w.Write([]string{
				gtin13(companyPrefix, number), fmt.Sprintf("UB-%d", 1001+number), name, c.name,
				fmt.Sprintf("%d.%02d", price/100, price%100),
				strings.Join(homes, "|"), minimum, fmt.Sprintf("%c. %c.", 'A'+rng.IntN(26), 'A'+rng.IntN(26)),
			})
			number++
		}
	}
	w.Flush()
	return b.Bytes()
}

func title(rng *rand.Rand, c category) string {
	pick := func(words []string) string { return words[rng.IntN(len(words))] }
	name := pick(titleFirst) + " " + pick(titleSecond) + " " + pick(c.last)
	if c.name != "stationery" && rng.IntN(2) == 0 {
		name = "The " + name
	}
	return name
}

// gtin13 puts a company prefix of seven digits, an item reference and the check digit together.
func gtin13(prefix string, reference int) string {
	body := fmt.Sprintf("%s%05d", prefix, reference)
	check, err := epc.CheckDigit(body)
	if err != nil {
		panic("sim: " + err.Error()) // digits only
	}
	return body + string(check)
}

// minimumAt returns the product's minimum in a zone.
func minimumAt(p *catalog.Product, zone string) (int, bool) {
	i := slices.IndexFunc(p.Limits, func(l catalog.Limit) bool { return l.Zone == zone && l.HasMin })
	if i < 0 {
		return 0, false
	}
	return p.Limits[i].Min, true
}
