package alert

import (
	"fmt"

	"lintel/engine/event"
	"lintel/rules"
)

// state is where the machine of one rule and subject stands.
type state uint8

const (
	stateNone         state = iota // there is no alert
	stateWithin                    // the first step of a sequence has happened, and the time for the second runs
	stateHold                      // the condition is true, but not for long enough yet
	stateQuiet                     // somebody has had the same thing in hand a short while ago
	stateHours                     // the rule is outside its hours
	stateNeeds                     // not enough have come together yet
	stateOpen                      // the channels of the rule were notified
	stateAcknowledged              // somebody has it in hand
	stateJoined                    // it is part of another alert
	stateLeads                     // open; its own condition has ended, those that joined it go on
	stateLeadsAcked                // the same, and somebody has it in hand
	stateCleared                   // the condition ended by itself; a person may still close it
	stateClosed                    // a person closed it; its outcome may still be corrected
	states
)

// occurrence is what can happen to the machine of one rule and subject.
type occurrence uint8

const (
	onTrue        occurrence = iota // the condition was evaluated and is true
	onFalse                         // it was evaluated and is false
	onFirst                         // the first step of a sequence happens, or is still so
	onPast                          // it was so until now
	onCalledOff                     // what calls a sequence off is true
	onFailed                        // the rule failed while it ran: unknown is not false
	onDue                           // the hold, another wait or the clear delay is over
	onGathered                      // the time in which others may join is over
	onEscalateDue                   // nobody acknowledged it in the time for escalation
	onRemindDue                     // nobody acknowledged it in the time for a reminder
	onAcknowledge                   // a person has it in hand
	onClose                         // a person closes it
	onComment                       // a person writes a comment
	onCorrect                       // a person gives another outcome
	onEmpty                         // the last of those that joined it has ended
	onWithdraw                      // the rule was taken away or switched off
	occurrences
)

// action is what a machine does when something happens.
type action uint8

const (
	nothing     action = iota
	begin              // remember the first step of a sequence
	renew              // the time for the second step begins again
	age                // it begins now
	follow             // the second step happened in time
	lapse              // the time for it is over: that is what was asked for, or nothing comes of it
	raise              // start an alert and take it through the rule's stages
	recheck            // evaluate the rule on the subject as it is now: go on through the stages, or drop it
	drop               // end an alert that nobody has seen
	keep               // it is the same alert: stop a clear delay that runs
	lower              // begin the clear delay, or clear it where the rule has none
	end                // clear it, leave the alert that it joined, or stay for those that joined it
	clear              // the alert is over
	report             // notify once for each version of the rule that it failed
	joiners            // notify of those that joined it
	escalate           // notify others that nobody acknowledged it
	remind             // notify again
	acknowledge        // a person has it in hand: reminders and escalation stop, and the rule is quiet about it
	closeIt            // a person closed it, with all that joined it
	comment            // keep what a person wrote
	correct            // take another outcome; the one before stays in the history
	forget             // it has been over for long enough
)

// row is one state: why explain says that nobody is notified, or that somebody is, and what each
// occurrence does.
type row struct {
	reason event.Reason // "": the condition decides
	on     [occurrences]action
}

// table is the state machine. An occurrence that a row does not name changes nothing: a late click
// on an alert that is closed, or a reminder that somebody's hand overtook.
var table = [states]row{
	stateNone: {"", [occurrences]action{onTrue: raise, onFirst: begin, onFailed: report}},
	stateWithin: {event.ReasonWithin, [occurrences]action{
		onTrue: follow, onFirst: renew, onPast: age, onCalledOff: drop, onFailed: report, onDue: lapse, onWithdraw: drop,
	}},
	stateHold:  {event.ReasonHold, pending(recheck)},
	stateQuiet: {event.ReasonQuiet, pending(recheck)},
	stateHours: {event.ReasonHours, pending(recheck)},
	stateNeeds: {event.ReasonNeeds, pending(drop)},
	stateOpen: {event.ReasonRaised, [occurrences]action{
		onTrue: keep, onFalse: lower, onCalledOff: end, onFailed: report, onDue: end, onGathered: joiners, onEscalateDue: escalate, onRemindDue: remind,
		onAcknowledge: acknowledge, onClose: closeIt, onComment: comment, onWithdraw: end,
	}},
	stateAcknowledged: {event.ReasonRaised, [occurrences]action{
		onTrue: keep, onFalse: lower, onCalledOff: end, onFailed: report, onDue: end, onGathered: joiners, onClose: closeIt, onComment: comment, onWithdraw: end,
	}},
	stateJoined: {event.ReasonGathered, [occurrences]action{
		onTrue: keep, onFalse: lower, onCalledOff: end, onFailed: report, onDue: end, onWithdraw: end,
	}},
	stateLeads: {event.ReasonRaised, [occurrences]action{
		onGathered: joiners, onEscalateDue: escalate, onRemindDue: remind, onAcknowledge: acknowledge, onClose: closeIt,
		onComment: comment, onEmpty: clear,
	}},
	stateLeadsAcked: {event.ReasonRaised, [occurrences]action{onGathered: joiners, onClose: closeIt, onComment: comment, onEmpty: clear}},
	stateCleared:    {event.ReasonRaised, [occurrences]action{onDue: forget, onClose: closeIt, onComment: comment}},
	stateClosed:     {"", [occurrences]action{onDue: forget, onComment: comment, onCorrect: correct}},
}

// pending is what happens to an alert that a stage holds back; due is for when the stage's time is
// over.
func pending(due action) [occurrences]action {
	return [occurrences]action{onFalse: drop, onCalledOff: drop, onFailed: report, onDue: due, onWithdraw: drop}
}

// stageStates are the states of alerts that a stage holds back.
var stageStates = [...]state{
	event.StageHold: stateHold, event.StageQuiet: stateQuiet, event.StageHours: stateHours, event.StageNeeds: stateNeeds,
	event.StageWithin: stateWithin,
}

// state returns where an alert stands, nil: there is none. It follows from the alert's record
// alone.
func (t *track) state() state {
	switch {
	case t == nil:
		return stateNone
	case t.Status == event.AlertPending:
		return stageStates[t.Stage]
	case t.Status == event.AlertClosed:
		return stateClosed
	case t.Status == event.AlertCleared:
		return stateCleared
	case t.Lead != "":
		return stateJoined
	case t.Ended && t.Status == event.AlertAcknowledged:
		return stateLeadsAcked
	case t.Ended:
		return stateLeads
	case t.Status == event.AlertAcknowledged:
		return stateAcknowledged
	}
	return stateOpen
}

// cause is what an action needs to know of the occurrence; each kind of occurrence fills its own
// part.
type cause struct {
	rule    *rules.Rule // of the alert; nil: it was taken away
	subject Subject     // of the alert that there may be
	env     *rules.Env  // what the rule saw
	err     error       // with onFailed
	act     *event.Act  // with onAcknowledge, onClose, onComment and onCorrect
	by      string      // who did it
}

// fire is the only way in which anything happens to an alert. With stateNone there is no alert yet:
// t is nil. f is the fact that onTrue, onFalse and onFailed come of; it is no part of c so that it
// stays on the stack.
func (b *Book) fire(t *track, on occurrence, f *event.Fact, c cause) {
	switch do := table[t.state()].on[on]; do {
	case nothing:
	case begin:
		b.begin(f, c)
	case renew:
		b.renew(t, f, c)
	case age:
		b.age(t, c.rule)
	case follow:
		b.follow(t, f, c)
	case lapse:
		b.lapse(t, c.rule)
	case raise:
		b.raise(c.rule, c.subject, f, c.env, event.FirstStep{})
	case recheck:
		b.recheck(t, c.rule)
	case drop:
		b.drop(t)
	case keep:
		if t.Due != 0 {
			b.setDue(t, 0)
		}
	case lower:
		b.lower(t, c.rule)
	case end:
		b.end(t)
	case clear:
		b.notifyJoined(t) // what was over before anybody was notified of it is named all the same
		b.clear(t)
	case report:
		b.report(c.rule, c.err, f)
	case joiners:
		b.notifyJoined(t)
		if t.About == event.AboutStorm {
			b.turnStorm(t, c.rule)
		}
	case escalate:
		b.escalate(t, c.rule)
	case remind:
		b.remind(t, c.rule)
	case acknowledge:
		b.acknowledge(t, c)
	case closeIt:
		b.close(t, c)
	case comment:
		b.comment(t, c)
	case correct:
		b.correct(t, c)
	case forget:
		b.discard(t, false)
	default:
		panic(fmt.Sprintf("alert: no such action: %d", do))
	}
}
