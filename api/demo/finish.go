package demo

import (
	"context"
	"errors"
	"fmt"
	"time"

	"lintel/engine/sim"
)

// finish writes the summary, in the console's turn.
func (r *run) finish(ctx context.Context, truth *sim.Truth, last time.Time, took time.Duration) error {
	result := make(chan error, 1)
	r.events <- consoleEvent{do: func() { result <- r.summarise(ctx, truth, last, took) }}
	return <-result
}

func (r *run) summarise(ctx context.Context, truth *sim.Truth, last time.Time, took time.Duration) error {
	c, p := r.console, r.page
	c.flush()
	longer, stop := outlast(ctx)
	defer stop()
	if c.settled {
		c.summary(longer, last)
	}
	items, err := r.client.items(longer, r.keys.operator, "")
	if err != nil && ctx.Err() == nil {
		return fmt.Errorf("ask for the items: %w", err)
	}
	v := judge(truth, r.words, last, c.doorAlerts(), c.silences(), items)
	title := "The end"
	if ctx.Err() != nil {
		title = "Ended early"
	}
	p.text(bold, "\n%s: what the simulator knows, and what Lintel reported", title)
	line := func(st style, what, format string, args ...any) { p.line(what, fmt.Sprintf(format, args...), st) }

	st := green
	if v.exitsTold < v.exits {
		st = yellow
	}
	line(st, "unpaid exits", "%s went out unpaid in %s; notified: %d of %d", some(v.exits, "item", "items"),
		some(v.visits, "visit", "visits"), v.exitsTold, v.exits)
	for _, m := range v.missed {
		line(yellow, "", "not notified: %s", m)
	}
	if v.turned > 0 {
		line(plain, "turned back", "%s came close to the door unpaid and turned back", some(v.turned, "item", "items"))
	}
	st = green
	if v.falseAlarms > 0 {
		st = yellow
	}
	line(st, "false alarms", "%d at the door", v.falseAlarms)
	if v.lateSales > 0 {
		line(plain, "late sales", "%s reported although paid, since the till reported the sale only afterwards",
			some(v.lateSales, "item was", "items were"))
	}
	if v.silences > 0 {
		line(plain, "readers", "%s silent for long; notified: %d of %d", some(v.silences, "was", "were"), v.silencesTold, v.silences)
	}
	switch {
	case err != nil:
		line(plain, "places", "there was no time to ask")
	case v.lying > 0:
		line(plain, "places", "%s under fixed readers; Lintel has %.1f %% of them in the right zone",
			some(v.lying, "item lies", "items lie"),
			100*float64(v.right)/float64(v.lying))
	}
	if o := r.feeder.count.outcome; o != nil {
		k := judgeCount(truth, countZone, o)
		text := fmt.Sprintf("%s lay on %s; the count found %d of them", some(k.lay, "item", "items"), r.words.zone(countZone), k.found)
		if k.strays > 0 {
			text += fmt.Sprintf(", and %d that lay elsewhere: a handheld hears some of the next shelf", k.strays)
		}
		line(plain, "stock-take", "%s", text)
	}
	good := 0
	for _, n := range c.hooks {
		good += n
	}
	st = green
	if c.bad > 0 {
		st = red
	}
	line(st, "webhooks", "%d with a good signature, %d refused, %d sent again; median %d ms, slowest %d ms",
		good, c.bad, c.repeated, c.median().Milliseconds(), c.slowest.Milliseconds())
	r.speed(last, took)
	if n := r.feeder.rejected.Load(); n > 0 {
		line(red, "rejected", "%s by the server, the first because: %s", some(int(n), "read", "reads"), *r.feeder.reason.Load())
	}
	p.text(dim, "\nA real shop is another matter: there its readers, and the outcomes that staff record, decide.")
	r.further(ctx)
	if c.bad > 0 {
		return errors.New("the receiver refused webhooks: their signatures did not fit")
	}
	return nil
}

// speed says how fast the shop's time really went.
func (r *run) speed(last time.Time, took time.Duration) {
	played := last.Sub(r.start)
	speed := played.Seconds() / max(0.001, took.Seconds())
	text := fmt.Sprintf("%.1f times real speed: %s in %s; %s reads and events, none dropped",
		speed, played.Round(time.Second), took.Round(time.Second), number(r.feeder.reads.Load()))
	st := plain
	if speed < 0.95*r.opt.Speed && played > 0 {
		st = yellow
		text += fmt.Sprintf(". This machine did not manage %v times", r.opt.Speed)
	}
	r.page.line("speed", text, st)
}

// further says how to look on, where there is something left to look at.
func (r *run) further(ctx context.Context) {
	if r.opt.Stay && ctx.Err() == nil {
		get := func(path string) string {
			return fmt.Sprintf("  curl -sS --fail-with-body -H \"Authorization: Bearer $KEY\" '%s%s'\n", r.client.base, path)
		}
		count := ""
		if o := r.feeder.count.outcome; o != nil {
			count = get(sitePath + "/counts/" + o.id + "/differences")
		}
		r.page.raw("\nThe server answers on, its clock stands still; Ctrl-C ends it. To look further:\n  " + r.link() +
			"\n  export KEY=" + r.keys.visitor + "\n" +
			get("/v1/alerts?status=all") + get("/v1/deliveries") + get("/v1/sites/"+site+"/stock?below=minimum") +
			get("/v1/sites/"+site+"/items?zone=front-tables&limit=5") + get("/v1/sites/"+site+
			"/facts?cause=passed") + count + get("/v1/rules"))
	}
	if r.opt.Keep != "" {
		r.page.raw("\nThe data is kept in " + r.dir + ": lintel serve --data " + r.dir + "\n" +
			"The receiver of webhooks ends here; store channels of your own.\n")
		if !r.opt.Stay {
			r.page.raw("A key that may see everything and try and store rules: " + r.keys.visitor + "\n")
		}
	}
}
