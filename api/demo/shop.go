package demo

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"strconv"
	"time"

	"lintel/api"
	"lintel/api/kit"
	"lintel/engine/catalog"
	"lintel/engine/deliver"
	"lintel/engine/layout"
	"lintel/engine/sim"
	"lintel/engine/store"
)

const (
	site      = "umberhithe"
	doorTeam  = "door-team"
	floorTeam = "floor-team"
	doorRule  = "unpaid-at-door" // the rule that is held against the truth

	shortDay    = 3 * time.Hour                  // no longer than this is played whatever the time is
	firstUnpaid = 2*time.Minute + 15*time.Second // when somebody comes in who leaves without paying: readers have found the stock by then
)

// beginning is when the shop's time begins: such that the day, which goes speed times as fast as
// the real clock, has come to the present when it ends. So what people see happened today, and
// nothing of it lies in the future.
func beginning(now time.Time, length time.Duration, speed float64) time.Time {
	ahead := time.Duration(float64(length) * (1 - 1/speed))
	return now.Add(-max(0, ahead)).UTC().Truncate(time.Second)
}

// scenario is what happens: the simulator's demonstration, with one unpaid exit right at the
// beginning for whoever watches.
func scenario(seed uint64, start time.Time, length time.Duration) sim.Config {
	c := sim.Demo(seed, start, length)
	c.People.IgnoreHours = length <= shortDay // whoever looks at it at night sees customers, too
	// Staff leave time enough for an alert about an empty place before they fill it.
	c.People.RefillEvery = max(c.People.RefillEvery, length*3/20)
	c.Scenes = append(c.Scenes, sim.Scene{At: firstUnpaid, Kind: sim.SceneUnpaidExit, N: 1})
	if length >= countNeeds {
		addStockTake(&c)
		// So that something of every kind is open at the end, for whoever looks on then.
		c.Scenes = append(c.Scenes, sim.Scene{At: length * 17 / 20, Kind: sim.SceneSilence, Point: "childrens-1", For: length},
			sim.Scene{At: length * 9 / 10, Kind: sim.SceneLowTable})
	}
	return c
}

// keys are the API keys of the demonstration, each with no more than its holder needs.
type keys struct{ readers, operator, author, visitor string }

func mintKeys(ctx context.Context, st store.Documents, now time.Time) (k keys, err error) {
	for _, m := range []struct {
		key    *string
		name   string
		scopes []string
		site   string
	}{
		{&k.readers, "demo-readers", []string{kit.ScopeReads, kit.ScopeSales}, site},
		{&k.operator, "demo-operator", []string{kit.ScopeOperate}, kit.AllSites},
		{&k.author, "demo-author", []string{kit.ScopeAuthor}, kit.AllSites},
		{&k.visitor, "demo-visitor", []string{kit.ScopeAdmin}, kit.AllSites},
	} {
		if *m.key, err = kit.MintKey(ctx, st, m.name, m.scopes, []string{m.site}, "lintel demo", now); err != nil {
			return keys{}, fmt.Errorf("make the key %s: %w", m.name, err)
		}
	}
	return k, nil
}

// newSecrets makes a secret for each channel.
func newSecrets() map[string]string {
	return map[string]string{doorTeam: deliver.NewSecret(rand.Reader), floorTeam: deliver.NewSecret(rand.Reader)}
}

// loaded says what the documents have.
type loaded struct {
	zones, readPoints, products, channels, rules int
}

// load stores the shop's documents. The layout comes first: it makes the site.
func load(ctx context.Context, c *client, key, hooks string, secrets map[string]string) (loaded, error) {
	var n loaded
	var saved api.Saved
	if err := c.put(ctx, "/v1/sites/"+site+"/layout?note=demo", key, "application/json", sim.Layout(), &saved); err != nil {
		return n, err
	}
	var products api.ProductsSaved
	if err := c.put(ctx, "/v1/products?note=demo", key, "text/csv", sim.ProductsCSV(), &products); err != nil {
		return n, err
	}
	type channel struct {
		Name    string   `json:"name"`
		URL     string   `json:"url"`
		Secrets []string `json:"secrets"`
	}
	var list []channel
	for _, name := range []string{doorTeam, floorTeam} {
		list = append(list, channel{name, hooks + hookPath + name, []string{secrets[name]}})
	}
	body, err := json.Marshal(map[string]any{"channels": list})
	if err != nil {
		return n, err
	}
	var channels api.ChannelsSaved
	if err := c.put(ctx, "/v1/channels?note=demo", key, "application/json", body, &channels); err != nil {
		return n, err
	}
	var rules api.RulesSaved
	if err := c.put(ctx, "/v1/rules?note=demo", key, "text/yaml", sim.Rules(), &rules); err != nil {
		return n, err
	}
	n.products, n.channels, n.rules = products.Products.Total, len(channels.Channels), rules.Rules
	l, err := layout.Parse(sim.Layout())
	if err != nil {
		return n, err
	}
	n.zones, n.readPoints = len(l.Zones), len(l.ReadPoints)
	return n, nil
}

// words are what numbers and ids are called in this shop.
type words struct {
	layout   *layout.Layout
	products *catalog.Catalog
}

func newWords() (*words, error) {
	l, err := layout.Parse(sim.Layout())
	if err != nil {
		return nil, err
	}
	return &words{layout: l, products: sim.Products(sim.ProductsSeed)}, nil
}

func (w *words) zone(id string) string {
	if i, ok := w.layout.ZoneIndex(id); ok {
		return w.layout.Zones[i].Name
	}
	return id
}

// door names the portal of a passage: the zone of its read point, since what came in is in no zone
// yet.
func (w *words) door(f *api.FactView) string {
	if i, ok := w.layout.ReadPointIndex(f.ReadPoint); ok && w.layout.ReadPoints[i].Zone >= 0 {
		return w.layout.Zones[w.layout.ReadPoints[i].Zone].Name
	}
	return w.zone(f.Zone)
}

func (w *words) product(gtin string) *catalog.Product {
	n, err := strconv.ParseUint(gtin, 10, 64)
	if err != nil {
		return nil
	}
	if i, ok := w.products.ByGTIN(n); ok {
		return w.products.At(i)
	}
	return nil
}

// title names a product.
func (w *words) title(gtin string) string {
	if p := w.product(gtin); p != nil {
		return p.Name
	}
	return "a tag of no product here"
}

// clock writes the shop's local time.
func (w *words) clock(t time.Time) string { return t.In(w.layout.Location()).Format(time.TimeOnly) }
