package api

import (
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/alert"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/store"
	"lintel/rules"
	"lintel/rules/doc"
)

// WhyAnswer says how rules stand to one thing.
type WhyAnswer struct {
	Site   string    `json:"site"`
	About  string    `json:"about" jsonschema_extras:"words=rule subject"`
	Item   string    `json:"item,omitempty"`
	GTIN   string    `json:"gtin,omitempty"`
	Place  string    `json:"place,omitempty" jsonschema_description:"A zone's id, or kind: and a zone kind."`
	Reader string    `json:"reader,omitempty"`
	Zone   string    `json:"zone,omitempty" jsonschema_description:"A zone's id: of rules about what is in it."`
	Count  string    `json:"count,omitempty"`
	Fact   *FactView `json:"fact,omitempty" jsonschema_description:"What the rules saw of an item: this fact. Without one they see the item as it is now, and neither cause nor passage."`
	Rules  []WhyRule `json:"rules" jsonschema_description:"In the order of the rules document."`
	Notice string    `json:"notice"`
}

// WhyRule says how one rule stands to it.
type WhyRule struct {
	Rule   string       `json:"rule"`
	Reason event.Reason `json:"reason" jsonschema_extras:"words=reason"`
	Words  string       `json:"words" jsonschema_description:"The same for people."`
	Watch  bool         `json:"watch,omitempty" jsonschema_description:"The rule is only watched: nobody is notified whatever the reason."`
	Alert  string       `json:"alert,omitempty" jsonschema_description:"The alert that there is."`
	Until  *time.Time   `json:"until,omitempty" jsonschema_description:"When what holds it back is over."`
	Have   int          `json:"have,omitempty" jsonschema_description:"How many have come together."`
	Need   int          `json:"need,omitempty" jsonschema_description:"How many must."`
	Cause  string       `json:"cause,omitempty" jsonschema_description:"The kind of fact that the condition saw."`
	Parts  any          `json:"condition" jsonschema_description:"The condition, part by part, with the value of each and of the names that it read."`
}

// whyRoutes are the routes that explain rules.
type whyRoutes struct{ *backend }

func (h whyRoutes) table() []kit.Route {
	return []kit.Route{{
		Method: "GET", Path: "/v1/sites/{site}/why", Name: "why", Group: "Rules",
		Summary: "Ask why a rule has raised an alert about something, or why not",
		About: "Name one item, one product's stock at a place, one read point, one count or one zone; and one rule, or leave " +
			"that out to ask all rules about such things. " +
			"The answer takes the condition apart, and names the one reason of a closed set: an alert is there, " +
			"the condition is false, or a stage holds it back.",
		Scopes: operate, Params: []kit.Param{
			kit.Query("rule", "One rule by its name. Left out: all that are about such a thing."),
			kit.Query("item", "An item's identity in any form."),
			kit.Query("fact", "With item: the id of the fact that the rules are to see. Left out: the last one that is about the item."),
			kit.Query("gtin", "With place: the product whose stock is meant."),
			kit.Query("place", "A zone's id, or kind: and a zone kind."),
			kit.Query("reader", "A read point's id."),
			kit.Query("count", "The id of a count that is closed, or of a zone of the count plan: why it is notified as overdue, or why not."),
			kit.Query("zone", "The id of a zone, for the rules about what is in it."),
		},
		Answers: []kit.Answer{kit.OK("How the rules stand to it.", WhyAnswer{})},
		Codes:   []kit.Code{codeUnknownItem, codeUnknownRule, codeUnknownCount, codeInvalidIdentity}, Handle: h.why,
	}}
}

// whyAsked is what a caller asks about.
type whyAsked struct {
	key    epc.Key
	fact   *event.Fact
	gtin   uint64
	place  string
	reader string
	due    string // a zone of the count plan, asked for as a count
	zone   string
	result *event.CountResult
}

func (h whyRoutes) why(c *kit.Call) error {
	answer := WhyAnswer{Site: c.Site, Rules: []WhyRule{}, Notice: event.Notice}
	asked, err := h.whyAsked(c, &answer)
	if err != nil {
		return err
	}
	rule := c.QueryParam("rule")
	err = h.view(c, func(st *engine.State) error {
		set := st.Config().Rules.ForSite(c.Site)
		if r := set.Rule(rule); rule != "" && r == nil {
			return kit.Problemf(codeUnknownRule, "There is no rule %s.%s", kit.Shown([]byte(rule)), doc.OrDidYouMean(rule, ruleNames(set)))
		} else if rule != "" && r.About != answer.About {
			return kit.BadParam("rule", "the rule %s is about %s, not %s", rule, r.About, answer.About)
		}
		loc := st.Config().Layout.Location()
		for _, r := range set.Rules() {
			if r.About != answer.About || rule != "" && r.Name != rule {
				continue
			}
			x, ok := asked.explain(st, r.Name, answer.About)
			if !ok {
				return whyNothing(c, &answer)
			}
			w := WhyRule{Rule: r.Name, Reason: x.Reason, Words: x.Words(loc), Watch: x.Watch, Alert: x.Alert,
				Need: x.Need, Have: x.Have, Parts: x.Why}
			if x.Cause != 0 {
				w.Cause = x.Cause.String()
			}
			if x.Until != 0 {
				until := time.UnixMilli(x.Until).UTC()
				w.Until = &until
			}
			answer.Rules = append(answer.Rules, w)
		}
		return nil
	})
	return c.Answer(answer, err)
}

func ruleNames(set *rules.Set) []string {
	var names []string
	for _, r := range set.Rules() {
		names = append(names, r.Name)
	}
	return names
}

func (a *whyAsked) explain(st *engine.State, rule, about string) (alert.Explanation, bool) {
	switch about {
	case event.AboutStock:
		return st.ExplainStock(rule, a.gtin, a.place)
	case event.AboutReader:
		return st.ExplainReader(rule, a.reader)
	case event.AboutZone:
		return st.ExplainZone(rule, a.zone)
	case event.AboutCount:
		if a.due != "" {
			return st.ExplainDue(rule, a.due)
		}
		return st.ExplainCount(rule, a.result)
	}
	return st.ExplainItem(rule, a.key, a.fact)
}

// whyNothing says that what is asked about is not there.
func whyNothing(c *kit.Call, w *WhyAnswer) error {
	switch w.About {
	case event.AboutStock:
		return kit.BadParam("place", "the site has no product %s, or no place %s", w.GTIN, kit.Shown([]byte(w.Place)))
	case event.AboutCount:
		return kit.BadParam("count", "the site does not know yet since when the zone %s is planned", kit.Shown([]byte(w.Count)))
	case event.AboutReader:
		return kit.BadParam("reader", "the site has no read point %s", kit.Shown([]byte(w.Reader)))
	case event.AboutZone:
		return kit.BadParam("zone", "the site has no zone %s", kit.Shown([]byte(w.Zone)))
	}
	return kit.Problemf(codeUnknownItem, "The site %q has never heard of this item.", c.Site)
}

// whyAsked reads what the caller asks about: exactly one thing.
func (h whyRoutes) whyAsked(c *kit.Call, w *WhyAnswer) (*whyAsked, error) {
	a := &whyAsked{}
	var named []string
	for _, name := range []string{"item", "gtin", "reader", "count", "zone"} {
		if c.QueryParam(name) != "" {
			named = append(named, name)
		}
	}
	if len(named) != 1 {
		return nil, kit.BadParam("item", "name one thing: item, or gtin and place, or reader, or count, or zone")
	}
	for name, with := range map[string]string{"place": "gtin", "fact": "item"} {
		if c.QueryParams().Has(name) && named[0] != with {
			return nil, kit.BadParam(name, "it goes with %s", with)
		}
	}
	switch value := c.QueryParam(named[0]); named[0] {
	case "gtin":
		gtin, err := epc.ParseGTIN(value)
		if err != nil {
			return nil, kit.BadParam("gtin", "%v", err)
		}
		if a.place = c.QueryParam("place"); a.place == "" {
			return nil, kit.BadParam("place", "name a zone, or kind: and a zone kind")
		}
		a.gtin, w.About, w.GTIN, w.Place = gtin, event.AboutStock, event.GTINText(gtin), a.place
	case "reader":
		a.reader, w.About, w.Reader = value, event.AboutReader, value
	case "zone":
		a.zone, w.About, w.Zone = value, event.AboutZone, value
	case "count":
		w.About, w.Count = event.AboutCount, value
		res, err := h.storedResult(c, value)
		if lay, bad := h.layoutOf(c.Ctx(), c.Site); res == nil && bad == nil && lay.Counts.Planned(value) != nil {
			a.due = value
			return a, err
		}
		if err == nil && res == nil {
			err = kit.Problemf(codeUnknownCount, "There is no count %s that is closed.", kit.Shown([]byte(value)))
		}
		a.result = res
		return a, err
	default:
		id, err := identityOf(c, value)
		if err != nil {
			return nil, err
		}
		a.key, _ = keyOf(id)
		w.About, w.Item = event.AboutItem, id.KeyText()
		if a.fact, err = h.whyFact(c, a.key); err != nil {
			return nil, err
		}
		if a.fact != nil {
			v := factView(a.fact)
			w.Fact = &v
		}
	}
	return a, nil
}

// whyFact finds the fact that the rules are to see: the one named, or the last one about the item;
// nil if there is none.
func (h whyRoutes) whyFact(c *kit.Call, k epc.Key) (*event.Fact, error) {
	from, to := store.FactID{}, store.FactID{}
	if text := c.QueryParam("fact"); text != "" {
		id, ok := parseFactID(text)
		if !ok {
			return nil, kit.BadParam("fact", "%s is no fact's id", kit.Shown([]byte(text)))
		}
		from, to = id, store.FactID{Ms: id.Ms, N: id.N + 1}
	} else if err := h.view(c, func(st *engine.State) error {
		if it, ok := st.Item(k); ok {
			from.Ms = max(it.Since, 1) // the fact that brought it where it is was found then or later
		}
		return nil
	}); err != nil || from.Ms == 0 {
		return nil, err
	}
	var found *event.Fact
	looked := 0
	err := h.eachFact(c.Ctx(), c.Site, from, to, 0, func(_ store.FactID, f *event.Fact) error {
		if looked++; looked > scanLimit {
			return errEnough
		}
		if f.Key == k {
			found = f
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if found == nil && c.QueryParam("fact") != "" {
		return nil, kit.BadParam("fact", "no fact %s is about this item", strings.TrimSpace(c.QueryParam("fact")))
	}
	return found, nil
}
