package demo

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"lintel/api"
	"lintel/engine/event"
)

// opening says what the readers found once they have settled.
func (c *console) opening(ctx context.Context) {
	items, err := c.client.items(ctx, c.key, "")
	if err != nil {
		c.failed(ctx, err)
		return
	}
	zones, ours, products := map[string]int{}, 0, map[string]bool{}
	for i := range items {
		if items[i].Product == nil {
			continue
		}
		ours++
		products[items[i].GTIN] = true
		if items[i].Zone != "" {
			zones[items[i].Zone]++
		}
	}
	var list []string
	for i := range c.words.layout.Zones {
		if z := &c.words.layout.Zones[i]; zones[z.ID] > 0 {
			list = append(list, z.Name+" "+number(zones[z.ID]))
		}
	}
	c.row(c.start.Add(settleAfter), "found", bold, fmt.Sprintf("the readers have found %s of %s so far",
		some(ours, "item", "items"), some(len(products), "product", "products")))
	c.below("", listed(list...))
	var below api.StockList
	if err := c.client.get(ctx, "/v1/sites/"+site+"/stock?below=minimum&limit=1000", c.key, &below); err != nil {
		c.failed(ctx, err)
		return
	}
	if n := len(below.Stock); n == 0 {
		c.below("", "no product is below a minimum")
	} else {
		c.below("", some(n, "minimum is", "minimums are")+" not met")
	}
}

// summary says how things stand.
func (c *console) summary(ctx context.Context, at time.Time) {
	const readsName, factsName = "lintel_reads_processed_total", "lintel_facts_total"
	m, err := c.client.metrics(ctx, c.key, readsName, factsName)
	if err != nil {
		c.failed(ctx, err)
		return
	}
	s, err := c.client.site(ctx, c.key)
	if err != nil {
		c.failed(ctx, err)
		return
	}
	real := time.Now()
	rate := (m[readsName] - c.lastMark.reads) / max(0.001, real.Sub(c.lastMark.real).Seconds())
	c.lastMark.real, c.lastMark.reads = real, m[readsName]
	c.page.row(c.stamp(at), "so far", cyan, listed(number(m[readsName])+" reads processed", number(rate)+"/s",
		some(s.Items, "item", "items"), some(int(m[factsName]), "fact", "facts"), some(s.Alerts, "alert open", "alerts open")), cyan)
}

func (c *console) failed(ctx context.Context, err error) {
	if ctx.Err() == nil {
		c.row(c.now, "failed", red, err.Error())
	}
}

// doorAlerts lists the alerts about unpaid goods at the door, in their order.
func (c *console) doorAlerts() []event.AlertView {
	var list []event.AlertView
	for _, id := range c.order {
		if a := c.alerts[id]; a.Rule == doorRule {
			list = append(list, a)
		}
	}
	return list
}

// silences lists the read points that were reported silent.
func (c *console) silences() []event.AlertView {
	var list []event.AlertView
	for _, id := range c.order {
		if a := c.alerts[id]; a.About == "reader" {
			list = append(list, a)
		}
	}
	return list
}

// median returns the middle of how long the webhooks took.
func (c *console) median() time.Duration {
	if len(c.took) == 0 {
		return 0
	}
	list := slices.Clone(c.took)
	slices.SortFunc(list, cmp.Compare)
	return list[len(list)/2]
}
