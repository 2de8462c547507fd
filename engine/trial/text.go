package trial

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"lintel/rules/doc"
)

// listed is how many alerts of a comparison a summary shows.
const listed = 10

// WriteText writes the report as a summary for people, with the first alerts in words. Times are
// those of the site's clock.
func (r *Report) WriteText(w io.Writer, alerts []Alert) error {
	t := &text{loc: time.UTC}
	if loc, err := time.LoadLocation(r.TimeZone); err == nil {
		t.loc = loc
	}
	t.line("%s at %s, %s to %s", r.Rule, r.Site, t.at(r.From), t.at(r.To))
	t.line("%s in %s (%s a second)%s", doc.Plural(r.Facts, "fact"), period(r.Seconds), short(r.Rate),
		map[bool]string{true: ", after a lead-in of " + doc.Plural(r.LeadIn, "fact")}[r.LeadIn > 0])
	if r.Stopped != "" {
		t.line("It was stopped at %s.", t.at(r.Until))
	}
	t.line("")
	t.result(&r.Tried)
	for i, a := range alerts {
		if i == 0 {
			t.line("  the first of them:")
		}
		if a.Opened != nil {
			t.line("    %s %s", t.at(*a.Opened), a.Say)
		}
	}
	if r.Live != nil {
		t.live(r.Live)
	}
	if r.Recorded != nil {
		t.recorded(r.Recorded)
	}
	t.line("")
	for _, n := range r.Notes {
		t.line("- %s", n)
	}
	t.line("%s", r.Notice)
	_, err := w.Write(t.b.Bytes())
	return err
}

type text struct {
	b   bytes.Buffer
	loc *time.Location
}

func (t *text) line(format string, args ...any) {
	for i, a := range args {
		if s, ok := a.(string); ok {
			args[i] = clean(s)
		}
	}
	fmt.Fprintf(&t.b, format+"\n", args...)
}

// clean keeps what comes from documents and tags from moving the cursor of a terminal.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == utf8.RuneError || unicode.Is(unicode.Bidi_Control, r) {
			return ' '
		}
		return r
	}, s)
}

func (t *text) at(at time.Time) string { return at.In(t.loc).Format("2006-01-02 15:04:05") }

func (t *text) result(r *Result) {
	open := ""
	if r.StillOpen > 0 {
		open = fmt.Sprintf(", %d of them still open at the end", r.StillOpen)
	}
	t.line("It would have raised %s%s.", doc.Plural(r.Raised, "alert"), open)
	if r.Errors > 0 {
		t.line("It failed %s: %s", doc.Plural(r.Errors, "time"), r.Failure)
	}
	row := func(name, format string, args ...any) { t.line("  %-10s %s", name, fmt.Sprintf(format, args...)) }
	if r.Open.Ended > 0 {
		row("open for", "median %s, nine in ten at most %s, longest %s", period(r.Open.Median), period(r.Open.P90), period(r.Open.Longest))
	}
	for _, m := range []struct {
		name   string
		counts map[string]int
	}{{"held back", r.HeldBack}, {"waiting", r.Waiting}, {"changes", r.Changes}} {
		if len(m.counts) > 0 {
			row(m.name, "%s", counts(m.counts))
		}
	}
	for i, m := range r.Messages {
		why := ""
		if m.Unknown {
			why = "; there is no such channel"
		} else if m.Unwanted > 0 {
			why = fmt.Sprintf("; %d it does not take", m.Unwanted)
		}
		row(first(i, "messages"), "%s %d (%s)%s", m.Channel, m.Sent, counts(m.ByChange), why)
	}
	most := 0
	for _, d := range r.ByDay {
		most = max(most, d.Raised)
	}
	for i, d := range r.ByDay {
		row(first(i, "by day"), "%s %6d %s", d.Date, d.Raised, strings.Repeat("#", int(math.Ceil(float64(d.Raised)*30/float64(most)))))
	}
	t.hours(r.ByHour)
	for _, list := range []struct {
		name string
		rows []NameCount
	}{{"products", r.Products}, {"zones", r.Zones}} {
		for i, n := range list.rows {
			row(first(i, list.name), "%6d %s", n.Raised, strings.TrimSpace(n.Name+" ("+n.ID+")"))
		}
	}
}

func first(i int, name string) string {
	if i > 0 {
		return ""
	}
	return name
}

// hours writes the week as a table, without the hours and days that have nothing.
func (t *text) hours(week []WeekdayCount) {
	from, to := 24, -1
	for _, d := range week {
		for h, n := range d.Hours {
			if n > 0 {
				from, to = min(from, h), max(to, h)
			}
		}
	}
	if to < 0 {
		return
	}
	width := len(strconv.Itoa(to)) + 1
	for _, d := range week {
		width = max(width, len(strconv.Itoa(slices.Max(d.Hours[:])))+1)
	}
	cells := func(of func(h int) any) string {
		var b strings.Builder
		for h := from; h <= to; h++ {
			fmt.Fprintf(&b, "%*v", width, of(h))
		}
		return b.String()
	}
	t.line("  %-10s %-10s%s", "by hour", "", cells(func(h int) any { return h }))
	for _, d := range week {
		if slices.Max(d.Hours[:]) > 0 {
			t.line("  %-10s %-10s%s", "", d.Weekday, cells(func(h int) any {
				if d.Hours[h] == 0 {
					return "."
				}
				return d.Hours[h]
			}))
		}
	}
}

func (t *text) live(l *LiveReport) {
	t.line("")
	if l.Same {
		t.line("The rule as it is now (mode %s) does the same.", l.Mode)
		return
	}
	if l.Result == nil || l.Compared == nil {
		return // a note says why
	}
	c := l.Compared
	t.line("The rule as it is now (mode %s) would have raised %s: %d that this version raises too%s, %d that it "+
		"does not. %d it alone raises.", l.Mode, doc.Plural(l.Result.Raised, "alert"), c.Both, later(c), c.OnlyOther, c.OnlyTried)
	t.instances("no longer raised", c.Missed, c.OnlyOther)
	t.instances("new", c.Added, c.OnlyTried)
}

func later(c *Comparison) string {
	if c.Later == 0 {
		return ""
	}
	return fmt.Sprintf(" (%d of them more than a minute later)", c.Later)
}

func (t *text) recorded(c *Comparison) {
	t.line("")
	if c.Other == 0 {
		t.line("No alert of this rule was recorded in that time.")
		return
	}
	t.line("Of %s it raises %d%s, and %d it does not. %d more it alone raises.", doc.Plural(c.Other, "recorded alert"),
		c.Both, later(c), c.OnlyOther, c.OnlyTried)
	if len(c.BothOutcomes) > 0 {
		t.line("  people said of those that it raises: %s", counts(c.BothOutcomes))
	}
	if len(c.OtherOutcomes) > 0 {
		t.line("  and of those that it does not: %s", counts(c.OtherOutcomes))
	}
	for _, p := range []struct {
		what string
		p    *Precision
	}{{"those that it raises", c.BothPrecision}, {"all that were recorded", c.OtherPrecision}} {
		if p.p != nil {
			t.line("  right of %s: %.0f %% (%d of %d; 95 %% interval %.0f to %.0f %%)", p.what, p.p.Share*100,
				p.p.Genuine, p.p.Genuine+p.p.False, p.p.Low*100, p.p.High*100)
		}
	}
	t.instances("would be missed", c.Missed, c.OnlyOther-c.OtherOutcomes["false"])
	t.instances("false ones that it avoids", c.Avoided, c.OtherOutcomes["false"])
}

func (t *text) instances(what string, list []Instance, all int) {
	for i, in := range list[:min(len(list), listed)] {
		if i == 0 {
			t.line("  %s:", what)
		}
		t.line("    %s %s%s", t.at(in.Opened), in.Say, map[bool]string{true: " [" + in.Outcome + "]"}[in.Outcome != ""])
	}
	if more := all - min(len(list), listed); more > 0 && len(list) > 0 {
		t.line("    and %d more", more)
	}
}

// counts writes counts by name, the largest first.
func counts(m map[string]int) string {
	names := slices.SortedFunc(maps.Keys(m), func(a, b string) int { return cmp.Or(cmp.Compare(m[b], m[a]), strings.Compare(a, b)) })
	for i, n := range names {
		names[i] = fmt.Sprintf("%s %d", n, m[n])
	}
	return strings.Join(names, ", ")
}

// period writes seconds.
func period(s float64) string {
	d := time.Duration(s * float64(time.Second))
	switch {
	case d < 10*time.Second:
		return fmt.Sprintf("%.1f s", s)
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", s)
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}

// short writes a large number.
func short(n float64) string {
	switch {
	case n >= 1e6:
		return fmt.Sprintf("%.1f million", n/1e6)
	case n >= 1e4:
		return fmt.Sprintf("%.0f thousand", n/1e3)
	}
	return fmt.Sprintf("%.0f", n)
}

// Text writes progress on one line.
func (p Progress) Text() string {
	return fmt.Sprintf("%3.0f %%  %s  %s a second  %s", p.Share*100, doc.Plural(p.Facts, "fact"), short(p.FactsPerSecond),
		doc.Plural(p.Raised, "alert"))
}
