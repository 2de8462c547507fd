package api

import (
	"context"
	"errors"
	"math"
	"net/http"
	"slices"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/quality"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/rules"
)

const (
	defaultWeeks = 12
	maxWeeks     = 104 // two years
	maxVersions  = 100 // of one rule in an answer
)

// qualityCaution is what has to be known before numbers about a rule are acted on.
const qualityCaution = "Only alerts that somebody closed as genuine or false are outcomes, and people choose what " +
	"they close. Genuine means that a look was worth it, not that anyone " +
	"did wrong. Times show how a rule is met in the shop's day, not how well anyone works."

// QualityWeeks is the range of weeks that an answer is about.
type QualityWeeks struct {
	First string `json:"first" jsonschema:"example=2026-W42" jsonschema_description:"The first week, as ISO 8601 writes it; weeks are those of each site's own clock."`
	Last  string `json:"last" jsonschema:"example=2026-W53" jsonschema_description:"The last week, which may still be going on."`
	Count int    `json:"count"`
}

// QualityDelay is how long it took until somebody acknowledged, in seconds.
type QualityDelay struct {
	Median float64 `json:"median"`
	P90    float64 `json:"p90" jsonschema_description:"Nine of ten were quicker."`
}

// QualityPrecision is how often a rule was right.
type QualityPrecision struct {
	Outcomes int      `json:"outcomes" jsonschema_description:"Genuine and false ones; unclear ones are in neither number."`
	Share    *float64 `json:"share,omitempty" jsonschema_description:"Genuine among the outcomes; left out if there are none."`
	Low      float64  `json:"low" jsonschema_description:"Where the 95 % interval begins (Wilson 1927)."`
	High     float64  `json:"high" jsonschema_description:"Where it ends. With few outcomes it is wide: they say little."`
	Words    string   `json:"words"`
}

// QualityTally counts alerts. fired = open + genuine + false + unclear + without_outcome.
type QualityTally struct {
	Fired        int              `json:"fired"`
	Acknowledged int              `json:"acknowledged" jsonschema_description:"Alerts that somebody ever took in hand."`
	Delay        *QualityDelay    `json:"acknowledged_after_seconds,omitempty"`
	Cleared      int              `json:"cleared" jsonschema_description:"Alerts that ended by themselves, whether or not somebody gave an outcome afterwards."`
	Open         int              `json:"open" jsonschema_description:"Still, acknowledged ones included."`
	Genuine      int              `json:"genuine"`
	False        int              `json:"false"`
	Unclear      int              `json:"unclear"`
	NoOutcome    int              `json:"without_outcome" jsonschema_description:"Alerts that ended by themselves, and nobody said what they were."`
	Joined       int              `json:"joined" jsonschema_description:"Alerts that became part of one of these."`
	Reminded     int              `json:"reminded" jsonschema_description:"Alerts that were sent again because nobody acknowledged them."`
	Reminders    int              `json:"reminders" jsonschema_description:"How often, in all."`
	Escalated    int              `json:"escalated" jsonschema_description:"Alerts that others were notified of because nobody acknowledged them in time."`
	Precision    QualityPrecision `json:"precision"`
}

// QualityTrouble is what a rule did beside its alerts.
type QualityTrouble struct {
	Faults   int `json:"faults,omitempty" jsonschema_description:"How often the rule failed while running, once for each version; no alert above."`
	Storms   int `json:"storms,omitempty" jsonschema_description:"How often it raised more than its limit; no alert above."`
	KeptBack int `json:"kept_back,omitempty" jsonschema_description:"What it raised beyond its limit, sent as part of a storm."`
}

// QualitySides are the alerts that were told to somebody, and those of a time when the rule was
// only watched.
type QualitySides struct {
	Told    QualityTally `json:"notified"`
	Watched QualityTally `json:"watched"`
	QualityTrouble
}

// QualityWeek is one week of a rule.
type QualityWeek struct {
	Week   string `json:"week" jsonschema:"example=2026-W53"`
	Monday string `json:"monday" jsonschema:"format=date"`
	Sunday string `json:"sunday" jsonschema:"format=date"`
	QualitySides
}

// QualityVersion is one version of a rule, told apart by what it means: a change of its layout on
// the page makes no new one.
type QualityVersion struct {
	Digest  string       `json:"rule_hash"`
	Current bool         `json:"current,omitempty" jsonschema_description:"The rule is this version now."`
	Watch   bool         `json:"watch,omitempty" jsonschema_description:"It was only watched."`
	First   time.Time    `json:"first" jsonschema_description:"When its first alert in these weeks opened."`
	Last    time.Time    `json:"last"`
	Tally   QualityTally `json:"tally"`
	QualityTrouble
	Change *QualityChange `json:"change,omitempty" jsonschema_description:"Against the version before; left out if one of the two has no outcome."`
}

// QualityChange is what an edit did to a rule's precision.
type QualityChange struct {
	Difference float64 `json:"difference" jsonschema_description:"Of the shares: above 0 it is right more often than the version before."`
	Low        float64 `json:"low" jsonschema_description:"Where the 95 % interval of the difference begins (Newcombe 1998, method 10)."`
	High       float64 `json:"high"`
	Words      string  `json:"words"`
}

// RuleQuality is how good a rule is.
type RuleQuality struct {
	Rule  string       `json:"rule"`
	Mode  string       `json:"mode,omitempty" jsonschema_description:"live, watch or off; left out if there is no such rule any more."`
	Weeks QualityWeeks `json:"weeks"`
	QualitySides
	ByWeek    []QualityWeek    `json:"by_week" jsonschema_description:"Oldest first. An alert counts in the week in which it opened, whenever it was closed."`
	ByVersion []QualityVersion `json:"by_version" jsonschema_description:"Oldest first; the newest 100."`
	Caution   string           `json:"caution"`
	Notice    string           `json:"notice"`
}

// RuleQualityRow is one rule among all.
type RuleQualityRow struct {
	Rule string `json:"rule"`
	Mode string `json:"mode,omitempty" jsonschema_description:"live, watch or off; left out if there is no such rule any more."`
	QualitySides
}

// RuleQualityList is how good all rules are, the noisiest first.
type RuleQualityList struct {
	Weeks   QualityWeeks     `json:"weeks"`
	Rules   []RuleQualityRow `json:"rules"`
	LeftOut int              `json:"left_out,omitempty" jsonschema_description:"Rules that limit kept out."`
	Caution string           `json:"caution"`
	Notice  string           `json:"notice"`
}

// qualityRoutes are the routes about how good rules are.
type qualityRoutes struct{ *backend }

func (h qualityRoutes) table() []kit.Route {
	weeks := kit.Query("weeks", "How many weeks, the present one included.").Of(kit.IntSchema(1, maxWeeks, defaultWeeks))
	about := "An alert counts in the ISO 8601 week in which it opened, by its site's own clock, so numbers of past " +
		"weeks still change while alerts are closed. " +
		"Precision is genuine / (genuine + false) with its 95 % interval; unclear outcomes are in neither number.\n\n" + qualityCaution
	return []kit.Route{
		{
			Method: "GET", Path: "/v1/rules/quality", Name: "rulesQuality", Group: "Alerts",
			Summary: "See how good all rules are, the noisiest first",
			About:   about, Scopes: operate, Params: []kit.Param{paramSite, weeks, paramLimit(100, 1000)},
			Answers: []kit.Answer{kit.OK("The rules: those that fired, and those that are written and did not.", RuleQualityList{})},
			Codes:   []kit.Code{kit.CodeUnknownSite, kit.CodeMissingSite}, Handle: h.rulesQuality,
		}, {
			Method: "GET", Path: "/v1/rules/{name}/quality", Name: "ruleQuality", Group: "Alerts",
			Summary: "See how good a rule is, by week and by version",
			About:   about, Scopes: operate, Params: []kit.Param{paramSite, weeks},
			Answers: []kit.Answer{kit.OK("What became of the rule's alerts.", RuleQuality{})},
			Codes:   []kit.Code{codeUnknownRule, kit.CodeUnknownSite, kit.CodeMissingSite}, Handle: h.ruleQuality,
		},
	}
}

// qualityBook counts the alerts of the sites and weeks that the caller asks for; rule "" is every
// rule.
func (h qualityRoutes) qualityBook(c *kit.Call, rule string) (*quality.Book, error) {
	weeks := c.Int("weeks")
	sites, err := h.sites(c)
	if err != nil {
		return nil, err
	}
	ctx, now := c.Ctx(), h.opt.Now()
	clocks := make([]*time.Location, len(sites))
	span := quality.Span{Weeks: weeks}
	for i, site := range sites {
		lay, err := h.layoutOf(ctx, site)
		if err != nil {
			return nil, unavailable(err)
		}
		clocks[i] = lay.Location()
		// Where sites are a week apart because it is Monday already at one of them, the range ends
		// with the later week for all.
		if w := quality.WeekOf(now.In(clocks[i])); w.Compare(span.Last) > 0 {
			span.Last = w
		}
	}
	if len(sites) == 0 {
		span.Last = quality.WeekOf(now.UTC())
	}
	all := quality.NewBook(span)
	for i, site := range sites {
		book, err := h.countAlerts(ctx, site, clocks[i], span, rule)
		if err != nil {
			return nil, unavailable(err)
		}
		all.Merge(book)
	}
	return all, nil
}

// countAlerts counts the alerts on record of a site, and keeps none.
func (b *backend) countAlerts(ctx context.Context, site string, clock *time.Location, span quality.Span,
	rule string) (*quality.Book, error) {
	var book *quality.Book
	err := b.scanAlerts(ctx, site, func() { book = quality.NewBook(span) }, func(al *event.Alert) {
		if al.Status == event.AlertPending || al.Lead != "" || rule != "" && al.Rule != rule {
			return
		}
		book.Add(&quality.Alert{
			Rule: al.Rule, Digest: al.Digest, Watch: al.Watch, Fault: al.About == event.AboutRule,
			Storm: al.About == event.AboutStorm, Opened: al.OpenedAt, Acknowledged: al.AckedAt, Cleared: al.EndedAt,
			Ended: al.Over(), Outcome: al.Outcome, Joined: al.Joined, Reminders: al.Reminders, Escalated: al.EscalatedAt != 0,
		}, clock)
	})
	return book, err
}

// storedRules returns the rules as they are written now, none if they can't be read.
func (b *backend) storedRules(ctx context.Context) ([]*rules.Rule, error) {
	set, err := b.storedSet(ctx)
	if set == nil {
		return nil, err
	}
	return set.Rules(), nil
}

// storedSet returns the rules as they are written now, nil if there are none or they can't be read.
func (b *backend) storedSet(ctx context.Context) (*rules.Set, error) {
	d, err := b.rulesDocument(ctx)
	if d.Version == 0 {
		return nil, err
	}
	set, _ := runner.CompileRules(engine.RulesDocument, d.Body, rules.Known{})
	return set, nil
}

// rulesDocument returns the newest document of rules, of version 0 if there is none.
func (b *backend) rulesDocument(ctx context.Context) (store.Document, error) {
	d, err := b.store.GetDocument(ctx, engine.RulesDocument, 0)
	if errors.Is(err, store.ErrNotFound) {
		return store.Document{}, nil
	}
	return d, unavailable(err)
}

func (h qualityRoutes) ruleQuality(c *kit.Call) error {
	name := c.PathParam("name")
	book, err := h.qualityBook(c, name)
	if err != nil {
		return err
	}
	written, err := h.storedRules(c.Ctx())
	if err != nil {
		return err
	}
	v := RuleQuality{Rule: name, Weeks: qualityWeeks(book), ByVersion: []QualityVersion{}, Caution: qualityCaution, Notice: event.Notice}
	digest := ""
	if i := slices.IndexFunc(written, func(r *rules.Rule) bool { return r.Name == name }); i >= 0 {
		v.Mode, digest = string(written[i].Mode), written[i].Digest
	} else if !book.Has(name) {
		return kit.Problemf(codeUnknownRule, "There is no rule %s, and no alert of one by that name in these weeks.",
			kit.Shown([]byte(name)))
	}
	r := book.Report(name)
	v.QualitySides = qualitySides(&r.Sides)
	for i := range r.Weeks {
		w := &r.Weeks[i]
		week := QualityWeek{Week: w.Week.String(), QualitySides: qualitySides(&w.Sides)}
		week.Monday, week.Sunday = w.Week.Days()
		v.ByWeek = append(v.ByWeek, week)
	}
	for i := max(0, len(r.Versions)-maxVersions); i < len(r.Versions); i++ {
		x := &r.Versions[i]
		version := QualityVersion{
			Digest: x.Digest, Current: x.Digest == digest, Watch: x.Watch, First: time.UnixMilli(x.First).UTC(),
			Last:  time.UnixMilli(x.Last).UTC(),
			Tally: qualityTally(&x.Tally), QualityTrouble: qualityTrouble(&x.Tally),
		}
		if i > 0 {
			if ch, ok := quality.Compare(r.Versions[i-1].Tally.Precision(), x.Tally.Precision()); ok {
				version.Change = &QualityChange{Difference: round(ch.Share, 4), Low: round(ch.Interval.Low, 4),
					High: round(ch.Interval.High, 4), Words: ch.Words()}
			}
		}
		v.ByVersion = append(v.ByVersion, version)
	}
	return c.JSON(http.StatusOK, v)
}

func (h qualityRoutes) rulesQuality(c *kit.Call) error {
	limit := c.Int("limit")
	book, err := h.qualityBook(c, "")
	if err != nil {
		return err
	}
	written, err := h.storedRules(c.Ctx())
	if err != nil {
		return err
	}
	modes := make(map[string]string, len(written))
	names := make([]string, 0, len(written))
	for _, r := range written {
		modes[r.Name] = string(r.Mode)
		names = append(names, r.Name)
	}
	v := RuleQualityList{Weeks: qualityWeeks(book), Rules: []RuleQualityRow{}, Caution: qualityCaution, Notice: event.Notice}
	list := book.Noisiest(names...)
	if len(list) > limit {
		v.LeftOut = len(list) - limit
		list = list[:limit]
	}
	for i := range list {
		v.Rules = append(v.Rules, RuleQualityRow{Rule: list[i].Rule, Mode: modes[list[i].Rule], QualitySides: qualitySides(&list[i].Sides)})
	}
	return c.JSON(http.StatusOK, v)
}

func qualityWeeks(b *quality.Book) QualityWeeks {
	s := b.Span()
	return QualityWeeks{First: s.First().String(), Last: s.Last.String(), Count: s.Weeks}
}

func qualitySides(s *quality.Sides) QualitySides {
	told, watched := qualityTrouble(&s.Told), qualityTrouble(&s.Watched)
	return QualitySides{Told: qualityTally(&s.Told), Watched: qualityTally(&s.Watched), QualityTrouble: QualityTrouble{
		Faults: told.Faults + watched.Faults, Storms: told.Storms + watched.Storms, KeptBack: told.KeptBack + watched.KeptBack,
	}}
}

func qualityTrouble(t *quality.Tally) QualityTrouble {
	return QualityTrouble{Faults: t.Faults, Storms: t.Storms, KeptBack: t.KeptBack}
}

func qualityTally(t *quality.Tally) QualityTally {
	p := t.Precision()
	v := QualityTally{
		Fired: t.Fired, Acknowledged: t.Acknowledged, Cleared: t.Cleared, Open: t.Open, Genuine: t.Genuine,
		False: t.False, Unclear: t.Unclear, NoOutcome: t.NoOutcome,
		Joined: t.Joined, Reminded: t.Reminded, Reminders: t.Reminders, Escalated: t.Escalated,
		Precision: QualityPrecision{Outcomes: p.Outcomes, Low: round(p.Interval.Low, 4), High: round(p.Interval.High, 4), Words: p.Words()},
	}
	if share, ok := p.Share(); ok {
		share = round(share, 4)
		v.Precision.Share = &share
	}
	if q := t.Delays.Quantiles(0.5, 0.9); q != nil {
		v.Delay = &QualityDelay{Median: round(q[0], 1), P90: round(q[1], 1)}
	}
	return v
}

// round rounds to that many places after the point.
func round(v float64, places int) float64 {
	unit := math.Pow10(places)
	return math.Round(v*unit) / unit
}
