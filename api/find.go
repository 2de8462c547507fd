package api

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/rules/doc"
)

// FindAnswer is where what was asked for is, best first.
type FindAnswer struct {
	Query    string        `json:"q"`
	Meant    string        `json:"meant" jsonschema:"enum=item,enum=gtin,enum=sku,enum=name,enum=nothing" jsonschema_description:"What the query was taken for."`
	Products []ProductView `json:"products" jsonschema_description:"The products that it means, best first; of many, the first 50."`
	Items    []FoundItem   `json:"items"`
	More     int           `json:"more" jsonschema_description:"How many further items there are."`
	Near     []ProductView `json:"near,omitempty" jsonschema_description:"Where nothing was found: products that may have been meant, the likeliest first, at most 5."`
	Hint     string        `json:"hint,omitempty" jsonschema_description:"What to try where nothing was found."`
}

// FoundItem is an item, and how sure it is where it is.
type FoundItem struct {
	ItemView
	ZoneName string `json:"zone_name,omitempty"`
	Storey   string `json:"storey,omitempty"`
	Sure     string `json:"sure" jsonschema:"enum=heard,enum=declared,enum=stale,enum=unknown,enum=away" jsonschema_description:"heard: lately, by a reader that watches the zone; declared: a person or a till said so; stale: not for some time; unknown: nowhere known; away: sold, sent off or retired."`
	Words    string `json:"words" jsonschema_description:"The same for people."`
}

const (
	maxQuery     = 200
	findProducts = 50     // products that a query by words means at most
	findLook     = 20_000 // items of them that are looked at
	heardLately  = 2 * time.Minute
)

// findRoutes are the routes that find things.
type findRoutes struct{ *backend }

func (h findRoutes) table() []kit.Route {
	return []kit.Route{{
		Method: "GET", Path: "/v1/sites/{site}/find", Name: "find", Group: "Questions", Summary: "Find an item or a product in the shop",
		About: "By an item's identity in any form, a GTIN, a SKU, or words of a product's name. Where it is, who " +
			"heard it last and when, and how sure that is.",
		Scopes: operate, Params: []kit.Param{kit.Query("q", "What to find, at most 200 characters."), paramLimit(50, 500)},
		Answers: []kit.Answer{kit.OK("What was found.", FindAnswer{})}, Handle: h.find,
	}}
}

func (h findRoutes) find(c *kit.Call) error {
	limit := c.Int("limit")
	q := strings.TrimSpace(c.QueryParam("q"))
	if q == "" || len([]rune(q)) > maxQuery {
		return kit.BadParam("q", "it must have 1 to %d characters", maxQuery)
	}
	var cfg *engine.Config
	if err := h.view(c, func(st *engine.State) error { cfg = st.Config(); return nil }); err != nil {
		return err
	}
	answer := FindAnswer{Query: q, Products: []ProductView{}, Items: []FoundItem{}}
	var gtins []uint64
	key, isItem := epc.Key{}, false
	answer.Meant, gtins = productsMeant(q, cfg.Catalog)
	if len(gtins) == 0 {
		if id, err := parseIdentity(q, 0, false); err == nil {
			key, _ = keyOf(id)
			isItem, answer.Meant = true, "item"
		}
	}
	for _, g := range gtins {
		if i, ok := cfg.Catalog.ByGTIN(g); ok {
			answer.Products = append(answer.Products, *productView(cfg.Catalog.At(i)))
		}
	}
	now := h.opt.Now().UnixMilli()
	watched := watchedZones(cfg.Layout)
	err := h.view(c, func(st *engine.State) error {
		var items []engine.ItemInfo
		if isItem {
			if it, ok := st.Item(key); ok {
				items = append(items, it)
			}
		} else if len(gtins) > 0 {
			items = st.Items(engine.ItemFilter{GTINs: gtins}, findLook)
		}
		lay, products := st.Config().Layout, st.Config().Catalog
		slices.SortStableFunc(items, func(a, b engine.ItemInfo) int {
			return cmp.Or(cmp.Compare(findRank(&a), findRank(&b)), cmp.Compare(max(b.Seen, b.Since),
				max(a.Seen, a.Since)), a.Key.Compare(b.Key))
		})
		answer.More = max(0, len(items)-limit)
		for i := range items[:min(len(items), limit)] {
			answer.Items = append(answer.Items, foundItem(&items[i], now, lay, products, watched))
		}
		return nil
	})
	if err != nil {
		return err
	}
	if len(answer.Items) == 0 {
		answer.Hint = findHint(&answer)
		for _, i := range productsNear(q, key, cfg.Catalog) {
			answer.Near = append(answer.Near, *productView(cfg.Catalog.At(i)))
		}
	}
	return c.JSON(http.StatusOK, answer)
}

func findHint(a *FindAnswer) string {
	switch {
	case a.Meant == "item":
		return "The shop has never heard of this item. Its tag may be damaged or shielded: look for the product instead."
	case len(a.Products) > 0:
		return "The product list has it, but the shop has never heard of an item of it."
	case a.Meant == "gtin":
		return "The product list does not have this GTIN, and no item of it was ever heard."
	case looksLikeIdentity(a.Query):
		_, err := parseIdentity(a.Query, 0, false)
		return "It looks like the identity of an item, but " + identityFault(err).Reason + "."
	}
	return "Nothing means that. Give an item's identity, a GTIN, a SKU, or words of a product's name."
}

// looksLikeIdentity reports whether a text that is no identity was probably meant for one.
func looksLikeIdentity(q string) bool {
	for _, begin := range []string{"urn:", "http:", "https:", "(01)", "(8003)", "(8004)"} {
		if strings.HasPrefix(strings.ToLower(q), begin) {
			return true
		}
	}
	q = strings.ReplaceAll(q, " ", "")
	return len(q) >= 12 && strings.Trim(q, "0123456789abcdefABCDEF") == ""
}

const (
	findNear     = 5      // products that may have been meant, at most
	nearWords    = 8      // words of a query that are compared
	nearProducts = 50_000 // products that are looked at
)

// productsNear returns the products that may have been meant by a query that found nothing, as
// indices in the catalogue: the product of an item that was never heard, a GTIN or SKU with a slip,
// and names that have some of the words, or words with a slip.
func productsNear(q string, key epc.Key, products *catalog.Catalog) (near []int) {
	if g, ok := key.GTIN14(); ok {
		if i, ok := products.ByGTIN(g); ok {
			return []int{i}
		}
	}
	n := min(products.Len(), nearProducts)
	var codes, words []string
	byCode := make(map[string]int)
	seen := make(map[string]bool)
	for i := range n {
		p := products.At(i)
		gtin := event.GTINText(p.GTIN)
		for _, code := range []string{gtin, strings.TrimLeft(gtin, "0"), p.SKU} {
			if _, twice := byCode[code]; !twice && code != "" {
				byCode[code] = i
				codes = append(codes, code)
			}
		}
		for _, w := range wordsOf(p.Name) {
			if !seen[w] {
				seen[w] = true
				words = append(words, w)
			}
		}
	}
	if i, ok := byCode[doc.Nearest(q, codes)]; ok {
		near = append(near, i)
	}
	wanted := wordsOf(q)
	for i, w := range wanted[:min(len(wanted), nearWords)] {
		wanted[i] = doc.Nearest(w, words)
	}
	type hit struct{ at, words int }
	var hits []hit
	for i := range n {
		h := hit{at: i}
		for _, w := range wordsOf(products.At(i).Name) {
			if len(w) > 2 && slices.Contains(wanted, w) {
				h.words++
			}
		}
		if h.words > 0 && !slices.Contains(near, i) {
			hits = append(hits, h)
		}
	}
	slices.SortStableFunc(hits, func(a, b hit) int { return cmp.Compare(b.words, a.words) })
	for _, h := range hits[:min(len(hits), findNear-len(near))] {
		near = append(near, h.at)
	}
	return near
}

// findRank orders items by how useful it is to go and look for them: what can be sold and is
// somewhere first.
func findRank(it *engine.ItemInfo) int {
	switch {
	case it.Zone != "" && it.Disposition.Sellable():
		return 0
	case it.Zone != "" && it.Disposition != event.RetailSold:
		return 1
	case it.Disposition.Sellable(), it.Disposition == event.Unknown:
		return 2
	}
	return 3
}

// productsMeant finds the products that a text means: a GTIN, a SKU, or words of a name.
func productsMeant(q string, products *catalog.Catalog) (meant string, gtins []uint64) {
	for _, i := range products.BySKU(q) {
		gtins = append(gtins, products.At(i).GTIN)
	}
	if len(gtins) > 0 {
		return "sku", gtins
	}
	if g, err := epc.ParseGTIN(q); err == nil {
		return "gtin", []uint64{g}
	}
	if gtins = productsNamed(q, products); len(gtins) > 0 {
		return "name", gtins
	}
	return "nothing", nil
}

// productsNamed finds the products whose names have a word for each word of the query that begins
// with it. Whole words count more than beginnings of words, and a short name more than a long one.
func productsNamed(q string, products *catalog.Catalog) []uint64 {
	wanted := wordsOf(q)
	if len(wanted) == 0 {
		return nil
	}
	type hit struct {
		at, whole, length int
	}
	var hits []hit
	for i := range products.Len() {
		name := products.At(i).Name
		if len(name) == 0 {
			continue
		}
		words := wordsOf(name)
		whole, all := 0, true
		for _, w := range wanted {
			exact := slices.Contains(words, w)
			if exact {
				whole++
			} else if !slices.ContainsFunc(words, func(have string) bool { return strings.HasPrefix(have, w) }) {
				all = false
				break
			}
		}
		if all {
			hits = append(hits, hit{i, whole, len(words)})
		}
	}
	slices.SortStableFunc(hits, func(a, b hit) int {
		return cmp.Or(cmp.Compare(b.whole, a.whole), cmp.Compare(a.length, b.length))
	})
	var gtins []uint64
	for _, h := range hits[:min(len(hits), findProducts)] {
		gtins = append(gtins, products.At(h.at).GTIN)
	}
	return gtins
}

// wordsOf splits a text at what is neither letter nor digit, in lower case.
func wordsOf(s string) []string {
	return strings.FieldsFunc(strings.ToLower(s), func(r rune) bool {
		return !unicode.IsLetter(r) &&
			!unicode.IsNumber(r) && !unicode.IsMark(r)
	})
}

// watchedZones are those where silence means something: a fixed reader hears them all the time.
func watchedZones(lay *layout.Layout) map[string]bool {
	watched := make(map[string]bool)
	for i := range lay.ReadPoints {
		if p := &lay.ReadPoints[i]; p.Role == event.Fixed && p.Zone >= 0 && !p.KeepsQuiet() {
			watched[lay.Zones[p.Zone].ID] = true
		}
	}
	return watched
}

func foundItem(it *engine.ItemInfo, now int64, lay *layout.Layout, products *catalog.Catalog, watched map[string]bool) FoundItem {
	v := FoundItem{ItemView: itemView(it, products)}
	if i, ok := lay.ZoneIndex(it.Zone); ok && it.Zone != "" {
		v.ZoneName, v.Storey = lay.Zones[i].Name, lay.Zones[i].Storey
	}
	v.Sure, v.Words = howSure(it, now, watched[it.Zone])
	return v
}

// howSure says how far the place of an item can be trusted.
func howSure(it *engine.ItemInfo, now int64, watched bool) (sure, words string) {
	heard := "never heard"
	if it.Seen > 0 {
		heard = "last heard " + ago(now-it.Seen)
	}
	switch it.Disposition {
	case event.RetailSold:
		return "away", "sold " + ago(now-it.Since) + " or before; " + heard
	case event.InTransit:
		return "away", "sent away " + ago(now-it.Since)
	case event.Inactive:
		return "away", "no longer part of the stock"
	}
	lately := it.Seen > 0 && now-it.Seen <= heardLately.Milliseconds()
	switch {
	case it.Zone == "" && it.From != "":
		return "unknown", fmt.Sprintf("not heard in %s any more, nor anywhere else; %s", it.From, heard)
	case it.Zone == "":
		return "unknown", "nowhere known; " + heard
	case it.Declared && !(lately && watched) && it.Sure > it.Since:
		return "declared", fmt.Sprintf("a count or a handheld heard it there %s; put there %s", ago(now-it.Sure), ago(now-it.Since))
	case it.Declared && !(lately && watched):
		return "declared", fmt.Sprintf("a person, a count or a till put it there %s; %s", ago(now-it.Since), heard)
	case lately && watched:
		return "heard", "heard all the time"
	case lately:
		return "heard", "heard just now"
	case it.Seen == 0:
		return "stale", "never heard there"
	}
	words = "not heard for " + strings.TrimSuffix(ago(now-it.Seen), " ago")
	if !watched {
		words += "; no reader watches this zone all the time"
	}
	return "stale", words
}

// ago says how long something is past.
func ago(ms int64) string {
	switch d := time.Duration(max(ms, 0)) * time.Millisecond; {
	case d < time.Minute:
		return "a moment ago"
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min ago", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h ago", int(d.Hours()))
	default:
		return fmt.Sprintf("%d days ago", int(d.Hours()/24))
	}
}
