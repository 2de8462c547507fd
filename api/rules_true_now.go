package api

import (
	"context"
	"fmt"
	"slices"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/event"
	"lintel/rules"
	"lintel/rules/doc"
)

// What finding out what rules are true of now may take.
const (
	surveyTime  = time.Second // of all rules of a request, at all sites
	surveyRules = 20          // rules of a request
)

// TrueNow says what a rule is true of as things are, whatever its hold and hours.
type TrueNow struct {
	Rule     string        `json:"rule"`
	Count    int           `json:"count" jsonschema_description:"Things that it is true of now, at all sites of the key."`
	Looked   int           `json:"looked_at" jsonschema_description:"Things that it was evaluated on."`
	Partial  bool          `json:"partial,omitempty" jsonschema_description:"The time for looking was over first, or a site was not ready: there may be more."`
	Failed   int           `json:"failed,omitempty" jsonschema_description:"Things on which the rule failed while it ran."`
	Examples []TrueExample `json:"examples,omitempty" jsonschema_description:"The first three."`
	Words    string        `json:"words"`
}

// TrueExample is one thing that a rule is true of.
type TrueExample struct {
	Site   string `json:"site"`
	Item   string `json:"item,omitempty"`
	GTIN   string `json:"gtin,omitempty"`
	Zone   string `json:"zone,omitempty"`
	Place  string `json:"place,omitempty" jsonschema_description:"Of stock: a zone's id, or kind: and a zone kind."`
	Reader string `json:"reader,omitempty"`
	Say    string `json:"say" jsonschema_description:"What the alert would say."`
}

// trueNow says what the rules of a set are true of now that are new, or whose condition is not that of
// the set before, which may be nil.
func (h documents) trueNow(c *kit.Call, before, set *rules.Set) ([]TrueNow, error) {
	var changed []*rules.Rule
	for _, r := range set.Rules() {
		if before != nil {
			if old := before.Rule(r.Name); old != nil && old.Mode != rules.ModeOff && old.ConditionDigest == r.ConditionDigest {
				continue
			}
		}
		changed = append(changed, r)
	}
	return h.trueNowOf(c, set, changed)
}

// trueNowOf says what some rules of a set are true of now, but for those that are off.
func (h documents) trueNowOf(c *kit.Call, set *rules.Set, changed []*rules.Rule) ([]TrueNow, error) {
	changed = slices.DeleteFunc(changed, func(r *rules.Rule) bool { return r.Mode == rules.ModeOff })
	changed = changed[:min(len(changed), surveyRules)]
	if len(changed) == 0 {
		return nil, nil
	}
	all, err := h.allSites(c.Ctx())
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(c.Ctx(), surveyTime)
	defer cancel()
	list := make([]TrueNow, 0, len(changed))
	for i, r := range changed {
		until, _ := ctx.Deadline()
		share, done := context.WithTimeout(ctx, time.Until(until)/time.Duration(len(changed)-i))
		now := TrueNow{Rule: r.Name}
		asked := false
		for _, site := range all {
			if c.Key.ForSite(site) {
				asked = h.survey(share, site, set, r.Name, &now) || asked
			}
		}
		done()
		if asked {
			now.Words = now.words()
			list = append(list, now)
		}
	}
	return list, c.Ctx().Err()
}

// survey adds what a rule is true of at one site. It is false if that can't be said of such a rule.
func (h documents) survey(ctx context.Context, site string, set *rules.Set, rule string, now *TrueNow) bool {
	v, ok := engine.NewSurvey(set.ForSite(site), rule)
	if !ok {
		return false
	}
	more := true
	for more && ctx.Err() == nil {
		if h.viewSite(ctx, site, func(st *engine.State) error { more = st.Survey(v); return nil }) != nil {
			break
		}
	}
	now.Count, now.Looked, now.Failed, now.Partial = now.Count+v.Count, now.Looked+v.Looked, now.Failed+v.Failed, now.Partial || more
	for _, x := range v.Examples {
		if len(now.Examples) < engine.MaxExamples {
			now.Examples = append(now.Examples, TrueExample{Site: site, Item: x.Item, GTIN: event.GTINText(x.GTIN),
				Zone: x.Zone, Place: x.Place,
				Reader: x.Reader, Say: x.Say})
		}
	}
	return true
}

func (n *TrueNow) words() string {
	switch {
	case n.Partial:
		return fmt.Sprintf("It is true now of %d of the %d that there was time to look at.", n.Count, n.Looked)
	case n.Count == 0:
		return "It is true of nothing now."
	}
	return fmt.Sprintf("It is true now of %s.", doc.Plural(n.Count, "thing"))
}
