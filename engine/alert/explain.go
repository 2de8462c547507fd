package alert

import (
	"fmt"
	"time"

	"lintel/engine/event"
	"lintel/rules"
)

// Explanation says how a rule relates to one subject.
type Explanation struct {
	Reason event.Reason
	Watch  bool        // the rule is only watched: nobody is notified whatever the reason
	Alert  string      // id of the alert that there is, "": none
	Until  int64       // when what holds it back is over, Unix milliseconds; 0: that is not known
	Have   int         // with ReasonNeeds: how many have come together
	Need   int         // and how many must
	Cause  event.Cause // that the condition saw, 0: none
	Why    *rules.Why  // the condition, part by part
	Error  string      // with ReasonFailed
	Taken  string      // of an alert: the condition of the alternative that was taken when it opened, "": none
}

// Explain says how a rule relates to a subject, by the table that decides what happens to its
// alerts. f and env are what the rule is to see. Several may ask at once, each with a shop of its
// own; nothing changes.
func (b *Book) Explain(shop Shop, r *rules.Rule, s Subject, f *event.Fact, env *rules.Env) Explanation {
	q := *b // with caches of its own
	q.shop, q.eval, q.hours = shop, b.set.NewEvaluator(), calendar{shop: shop}
	yes, err := q.eval.True(r, env)
	if q.tooDear(r, s, f.GTIN, f.Cause.String(), env) {
		yes, err = false, errTooDear
	}
	t := q.trackOf(s, f.GTIN, r)
	x := Explanation{
		Reason: table[t.state()].reason, Watch: r.Mode == rules.ModeWatch, Cause: f.Cause, Need: r.Needs, Why: whyOf(q.eval, r, env, t),
	}
	switch {
	case r.Mode == rules.ModeOff:
		x.Reason = event.ReasonOff
	case t.state() == stateJoined:
		if x.Alert = t.Lead; q.byID[t.Lead] != nil && q.byID[t.Lead].About == event.AboutStorm {
			x.Reason = event.ReasonLimit
		}
	case t != nil && t.Status == event.AlertPending:
		x.Until, x.Have = t.Due, len(q.gathers.waiting[t.group()])
	case t != nil:
		x.Alert = t.ID
		if t.Alternative > 0 && t.Alternative <= len(r.But) && t.Digest == r.Digest {
			x.Taken = r.But[t.Alternative-1].When
		}
	case err != nil:
		x.Reason, x.Error = event.ReasonFailed, err.Error()
	case r.Sequence != nil:
		x.Reason = event.ReasonFirst
		if first, err := q.eval.First(r, env); first && err == nil {
			x.Reason, x.Why.First.Value = event.ReasonOccasion, true
		}
	case !yes:
		x.Reason = event.ReasonFalse
	case !q.hours.include(r, f.At) && !lasting(r, env):
		x.Reason, x.Until = event.ReasonHours, q.hours.next(r, q.now)
	default:
		x.Reason = event.ReasonOccasion
	}
	return x
}

// choice says which alternative of the rule was taken, or would be as things are.
func (x *Explanation) choice() string {
	switch {
	case x.Taken != "":
		return " It was sent by an alternative of the rule, since this was true when it opened: " + x.Taken + "."
	case x.Why == nil || x.Why.Choice == nil:
		return ""
	}
	switch x.Reason {
	case event.ReasonHold, event.ReasonQuiet, event.ReasonHours, event.ReasonNeeds, event.ReasonOccasion:
		c := x.Why.Choice
		if c.Taken == 0 {
			return fmt.Sprintf(" As things are it would be sent as %s: none of the rule's alternatives is true.", c.Severity)
		}
		return fmt.Sprintf(" As things are it would be sent as %s, since this is true: %s.", c.Severity, c.Parts[c.Taken-1].Text)
	}
	return ""
}

// Words says the reason for people. Times are of the site's time zone.
func (x *Explanation) Words(loc *time.Location) string {
	until := ""
	if x.Until != 0 {
		until = time.UnixMilli(x.Until).In(loc).Format("Mon 2 Jan 15:04:05")
	}
	words := ""
	switch x.Reason {
	case event.ReasonRaised:
		words = "There is an alert about it: " + x.Alert + "."
	case event.ReasonGathered:
		words = "It is part of an alert that came just before: " + x.Alert + "."
	case event.ReasonLimit:
		words = "The rule raised more alerts than its limit; it is part of the one that stands for them: " + x.Alert + "."
	case event.ReasonFalse:
		words = "The condition is false: " + x.Why.FalseParts() + "."
	case event.ReasonHold:
		words = "The condition is true, but not for as long as the rule's hold yet. The alert opens on " + until + " if it stays so."
	case event.ReasonQuiet:
		words = "The condition is true, but somebody acknowledged or closed an alert about the same thing a short " +
			"while ago. The rule is quiet until " + until + "."
	case event.ReasonHours:
		words = "The condition is true, but the rule is outside its hours. They begin on " + until + "."
	case event.ReasonNeeds:
		words = fmt.Sprintf("The condition is true, but %d of the %d that must come together have.", x.Have, x.Need)
	case event.ReasonFirst:
		words = "What must come first has not happened, or is too long ago."
	case event.ReasonWithin:
		words = "The first step happened"
		if w := x.Why.First; w != nil && w.At != nil {
			words += " on " + w.At.In(loc).Format("Mon 2 Jan 15:04:05")
		}
		words += ". What comes then has not; the time for it is over on " + until + "."
	case event.ReasonOff:
		words = "The rule is switched off."
	case event.ReasonFailed:
		words = "The rule failed while it ran: " + x.Error
	case event.ReasonOccasion:
		words = "The condition is true, but nothing has happened since that would make the rule look: it looks " +
			"when a fact about this comes in. A person may have closed an alert about it, too."
	}
	words += x.choice()
	if x.Watch {
		words += " The rule is only watched: nobody is notified."
	}
	return words
}
