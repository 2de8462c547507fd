package alert

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/rules"
	"lintel/rules/hours"
)

// shop is a shop whose items are where a test puts them, open from nine to six, in UTC.
type shop struct {
	t       testing.TB
	b       *Book
	set     *rules.Set
	now     int64
	seq     uint64
	zones   map[epc.Key]string
	changes []string // "opened", or "rule opened" where the alert is not about an item
	alerts  []event.Alert
	sent    []event.Delivery
	joined  []string
	records map[record][]byte
}

var opening = time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC).UnixMilli()

func newShop(t testing.TB, text string) *shop {
	sh := &shop{t: t, now: opening, zones: make(map[epc.Key]string), records: make(map[record][]byte), set: compile(t, text)}
	sh.b = NewBook("umberhithe", sh)
	sh.b.Bind(sh.set, sh)
	sh.b.Begin(sh.seq, sh.now)
	return sh
}

// OpenAfter counts the hours from nine to six.
func (sh *shop) OpenAfter(from time.Time, length time.Duration) time.Time {
	h := hours.Hours{Known: true}
	for d := range h.Week {
		h.Week[d] = []hours.Window{{From: 9 * 60, To: 18 * 60}}
	}
	return h.OpenAfter(from, length, time.UTC)
}

func compile(t testing.TB, text string) *rules.Set {
	doc, faults := rules.Parse("rules.yaml", []byte(text))
	require.Empty(t, faults)
	set, faults := rules.Compile(doc, rules.Known{})
	require.Empty(t, faults)
	return set
}

func (sh *shop) Env(_ Subject, a *event.Alert) *rules.Env {
	return sh.env(&event.Fact{Cause: a.Cause, Key: a.Key})
}

func (sh *shop) env(f *event.Fact) *rules.Env {
	zone := sh.zones[f.Key]
	return &rules.Env{
		Cause: f.Cause.String(), Zone: rules.Zone{ID: zone}, Item: rules.Item{Present: zone != "", Paid: zone == "till"},
	}
}

func (sh *shop) Identify(*rules.Env, epc.Key, string) {}

func (sh *shop) Local(ms int64) (open bool, day time.Weekday, minuteOfDay int) {
	at := time.UnixMilli(ms).UTC()
	return at.Hour() >= 9 && at.Hour() < 18, at.Weekday(), at.Hour()*60 + at.Minute()
}

func (sh *shop) Product(uint64) *event.MessageProduct { return nil }

func (sh *shop) Joined(a *event.Alert) { sh.joined = append(sh.joined, a.ID) }

func (sh *shop) Changed(change string, a *event.Alert, messages []event.Delivery) {
	word := strings.TrimPrefix(change, "alert.")
	if a.About != event.AboutItem {
		word = a.About + " " + word
	}
	sh.changes, sh.alerts, sh.sent = append(sh.changes, word), append(sh.alerts, *a), append(sh.sent, messages...)
}

func thing(n int) epc.Key { return epc.Key{Hi: 1, Lo: uint64(n)} }

// put lets a thing come to a zone, or leave for "".
func (sh *shop) put(zone string, things ...int) {
	cause := event.Arrived
	if zone == "" {
		cause = event.Left
	}
	for _, n := range things {
		sh.seq++
		sh.b.Begin(sh.seq, sh.now)
		sh.zones[thing(n)] = zone
		f := event.Fact{Cause: cause, Key: thing(n), At: sh.now}
		sh.b.Meet(Item(f.Key), &f, sh.env(&f))
	}
}

// pass lets time go by.
func (sh *shop) pass(d time.Duration) {
	for end := sh.now + d.Milliseconds(); ; sh.b.Advance() {
		sh.seq++
		sh.now = min(end, max(sh.now, sh.b.Next()))
		if sh.b.Begin(sh.seq, sh.now); sh.b.Next() > end {
			sh.now = end
			sh.b.Begin(sh.seq, sh.now)
			return
		}
	}
}

// act lets a person do something to the newest alert.
func (sh *shop) act(do string) {
	sh.b.Act(&event.Act{Alert: sh.alerts[len(sh.alerts)-1].ID, Do: do, Outcome: event.OutcomeGenuine}, "floor")
}

// load writes the book's records and reads them into another one.
func (sh *shop) load() {
	sh.b.Flush(func(kind, key string, value []byte) { sh.records[record{kind, key}] = value })
	b := NewBook("umberhithe", sh)
	b.Bind(sh.set, sh)
	b.Begin(sh.seq, sh.now)
	for r, value := range sh.records {
		switch name, isRule := strings.CutPrefix(r.key, RulePrefix); {
		case value == nil:
		case isRule:
			require.NoError(sh.t, b.LoadRule(name, value))
		default:
			require.NoError(sh.t, b.LoadAlert(value))
		}
	}
	b.Start()
	require.Equal(sh.t, digest(sh.b), digest(b))
	require.Equal(sh.t, sh.b.Next(), b.Next())
	sh.b = b
}

func digest(b *Book) string {
	var w strings.Builder
	b.Digest(func(format string, args ...any) { fmt.Fprintf(&w, format+"\n", args...) })
	return w.String()
}

// onTables is a rule about what lies on the front tables; keys of a test follow.
const onTables = `rules:
  - name: on-tables
    when: zone.id == "tables"
    send: [floor-team]
    remind: 10m
    escalate: 5m
    escalate_to: [manager]
`

// afterShelf makes it a rule about what lay on the shelf before.
const afterShelf = `    first: zone.id == "shelf"
    within: 10m
`

var stateNames = [states]string{
	"none", "within", "hold", "quiet", "hours", "needs", "open", "acknowledged", "joined", "leads", "leads acknowledged", "cleared", "closed",
}

// walk is every cell of the table: what becomes of an alert in a state, and which changes people
// see. "-": nothing at all changes. "gone": the alert is no longer in the book.
var walk = []struct {
	name  string
	state state
	rule  string
	thing int // whose alert it is
	setup func(sh *shop)
	want  [occurrences]string
}{
	{"none", stateNone, onTables + afterShelf, 1, func(*shop) {}, cells(map[occurrence]string{
		onTrue: "open: opened", onFirst: "within", onFailed: "none: rule opened",
	})},
	{"the first step happened", stateWithin, onTables + afterShelf, 1, func(sh *shop) { sh.put("shelf", 1) },
		cells(map[occurrence]string{
			onTrue: "gone: opened", onFirst: "within", onPast: "within", onFailed: "within: rule opened", onDue: "gone", onWithdraw: "gone",
		})},
	{"the first step happened, and nothing is to follow", stateWithin,
		strings.Replace(onTables, `when: zone.id == "tables"`, "unless: item.paid", 1) + afterShelf, 1,
		func(sh *shop) { sh.put("shelf", 1) }, cells(map[occurrence]string{
			onTrue: "gone: opened", onFailed: "within: rule opened", onDue: "gone: opened", onWithdraw: "gone",
		})},
	{"hold", stateHold, onTables + "    hold: 1m\n", 1, func(sh *shop) { sh.put("tables", 1) }, cells(map[occurrence]string{
		onFalse: "gone", onFailed: "hold: rule opened", onDue: "open: opened", onWithdraw: "gone",
	})},
	{"quiet", stateQuiet, onTables + "    quiet: 1m\n", 1, func(sh *shop) {
		sh.put("tables", 1)
		sh.act("close")
		sh.put("tables", 1)
	}, cells(map[occurrence]string{
		onFalse: "gone", onFailed: "quiet: rule opened", onDue: "open: opened", onWithdraw: "gone",
	})},
	{"hours", stateHours, onTables + "    hours: 12:00-13:00\n", 1, func(sh *shop) { sh.put("tables", 1) }, cells(map[occurrence]string{
		onFalse: "gone", onFailed: "hours: rule opened", onDue: "open: opened", onWithdraw: "gone",
	})},
	{"needs", stateNeeds, onTables + "    gather: 1m\n    needs: 3\n", 2, func(sh *shop) { sh.put("tables", 1, 2) },
		cells(map[occurrence]string{
			onFalse: "gone", onFailed: "needs: rule opened", onDue: "gone", onWithdraw: "gone",
		})},
	{"open", stateOpen, onTables, 1, func(sh *shop) { sh.put("tables", 1) }, cells(map[occurrence]string{
		onFalse: "cleared: cleared", onFailed: "open: rule opened", onDue: "cleared: cleared", onEscalateDue: "open: escalated",
		onRemindDue: "open: reminded", onAcknowledge: "acknowledged: acknowledged", onClose: "closed: closed", onComment: "open: commented", onWithdraw: "cleared: cleared",
	})},
	{"open, its clear delay runs", stateOpen, onTables + "    clear: 1m\n", 1, func(sh *shop) {
		sh.put("tables", 1)
		sh.put("shelf", 1)
	}, cells(map[occurrence]string{
		onTrue: "open", onFailed: "open: rule opened", onDue: "cleared: cleared", onEscalateDue: "open: escalated",
		onRemindDue: "open: reminded", onAcknowledge: "acknowledged: acknowledged", onClose: "closed: closed", onComment: "open: commented", onWithdraw: "cleared: cleared",
	})},
	{"open, another has joined", stateOpen, onTables + "    gather: 1m\n", 1, func(sh *shop) { sh.put("tables", 1, 2) },
		cells(map[occurrence]string{
			onFalse: "leads", onFailed: "open: rule opened", onDue: "leads", onGathered: "open: gathered", onEscalateDue: "open: escalated",
			onRemindDue: "open: reminded", onAcknowledge: "acknowledged: acknowledged", onClose: "closed: closed", onComment: "open: commented", onWithdraw: "leads",
		})},
	{"acknowledged", stateAcknowledged, onTables, 1, func(sh *shop) {
		sh.put("tables", 1)
		sh.act("acknowledge")
	}, cells(map[occurrence]string{
		onFalse: "cleared: cleared", onFailed: "acknowledged: rule opened", onDue: "cleared: cleared", onClose: "closed: closed", onComment: "acknowledged: commented",
		onWithdraw: "cleared: cleared",
	})},
	{"acknowledged, its clear delay runs, another has joined", stateAcknowledged,
		onTables + "    clear: 1m\n    gather: 1m\n", 1, func(sh *shop) {
			sh.put("tables", 1, 2)
			sh.act("acknowledge")
			sh.put("shelf", 1)
		}, cells(map[occurrence]string{
			onTrue: "acknowledged", onFailed: "acknowledged: rule opened", onDue: "leads acknowledged",
			onGathered: "acknowledged: gathered",
			onClose:    "closed: closed", onComment: "acknowledged: commented", onWithdraw: "leads acknowledged",
		})},
	{"joined", stateJoined, onTables + "    gather: 1m\n", 2, func(sh *shop) { sh.put("tables", 1, 2) }, cells(map[occurrence]string{
		onFalse: "gone", onFailed: "joined: rule opened", onDue: "gone", onWithdraw: "gone",
	})},
	{"joined, its clear delay runs", stateJoined, onTables + "    gather: 1m\n    clear: 1m\n", 2, func(sh *shop) {
		sh.put("tables", 1, 2)
		sh.put("shelf", 2)
	}, cells(map[occurrence]string{
		onTrue: "joined", onFailed: "joined: rule opened", onDue: "gone", onWithdraw: "gone",
	})},
	{"leads", stateLeads, onTables + "    gather: 1m\n", 1, func(sh *shop) {
		sh.put("tables", 1, 2)
		sh.put("shelf", 1)
	}, cells(map[occurrence]string{
		onGathered: "leads: gathered", onEscalateDue: "leads: escalated", onRemindDue: "leads: reminded",
		onAcknowledge: "leads acknowledged: acknowledged", onClose: "closed: closed", onComment: "leads: commented", onEmpty: "cleared: gathered cleared",
	})},
	{"leads acknowledged", stateLeadsAcked, onTables + "    gather: 1m\n", 1, func(sh *shop) {
		sh.put("tables", 1, 2)
		sh.act("acknowledge")
		sh.put("shelf", 1)
	}, cells(map[occurrence]string{
		onGathered: "leads acknowledged: gathered", onClose: "closed: closed", onComment: "leads acknowledged: commented", onEmpty: "cleared: gathered cleared",
	})},
	{"cleared", stateCleared, onTables, 1, func(sh *shop) {
		sh.put("tables", 1)
		sh.put("shelf", 1)
	}, cells(map[occurrence]string{onDue: "gone", onClose: "closed: closed", onComment: "cleared: commented"})},
	{"closed", stateClosed, onTables, 1, func(sh *shop) {
		sh.put("tables", 1)
		sh.act("close")
	}, cells(map[occurrence]string{onDue: "gone", onComment: "closed: commented", onCorrect: "closed: corrected"})},
}

// cells fills a row; what calls an alert off does the same as the end of its rule.
func cells(want map[occurrence]string) (row [occurrences]string) {
	want[onCalledOff] = want[onWithdraw]
	for on := range row {
		if row[on] = want[occurrence(on)]; row[on] == "" {
			row[on] = "-"
		}
	}
	return row
}

func TestEveryCellOfTheTable(t *testing.T) {
	seen := make(map[state]bool)
	for _, row := range walk {
		seen[row.state] = true
		for on := range occurrences {
			t.Run(fmt.Sprintf("%s/%d", row.name, on), func(t *testing.T) {
				sh := newShop(t, row.rule)
				row.setup(sh)
				sh.load()
				var tr *track
				for _, a := range sh.b.inOrder() {
					if a.Key == thing(row.thing) {
						tr = a
					}
				}
				require.Equal(t, stateNames[row.state], stateNames[tr.state()])
				sh.changes = nil
				if tr != nil && on == onDue {
					if sh.now = max(sh.now, tr.Due); row.state == stateCleared || row.state == stateClosed {
						sh.now = tr.next()
					}
				}
				sh.seq++
				sh.b.Begin(sh.seq, sh.now)
				before := digest(sh.b)
				f := event.Fact{Cause: event.Arrived, Key: thing(row.thing), At: sh.now}
				sh.zones[f.Key] = "tables"
				sh.b.fire(tr, on, &f, cause{
					rule: sh.set.Rules()[0], subject: Item(f.Key), env: sh.env(&f), err: errors.New("it broke"),
					act: &event.Act{Outcome: event.OutcomeGenuine}, by: "floor",
				})
				got := "gone"
				if tr == nil {
					got = stateNames[sh.b.following.of(Item(f.Key), "on-tables").state()]
				} else if sh.b.byID[tr.ID] == tr {
					got = stateNames[tr.state()]
				}
				if len(sh.changes) > 0 {
					got += ": " + strings.Join(sh.changes, " ")
				} else if digest(sh.b) == before {
					got = "-"
				}
				require.Equal(t, row.want[on], got)
				require.Equal(t, on == onFailed && row.want[on] != "-", sh.b.Failures() == 1)
				sh.load() // what came of it is in the records
			})
		}
	}
	require.Len(t, seen, int(states))
}

// Explain gives each state's reason out of the table; without an alert the condition decides.
func TestExplainReadsTheTable(t *testing.T) {
	for _, row := range walk {
		if row.state == stateNone || row.state == stateLeads || row.state == stateLeadsAcked || row.state == stateCleared || row.state == stateClosed {
			continue // no alert that a fact about the subject finds
		}
		sh := newShop(t, row.rule)
		row.setup(sh)
		f := event.Fact{Cause: event.Arrived, Key: thing(row.thing), At: sh.now}
		x := sh.b.Explain(sh, sh.set.Rules()[0], Item(f.Key), &f, sh.env(&f))
		require.Equal(t, table[row.state].reason, x.Reason, row.name)
		require.Contains(t, event.Reasons.All(), x.Reason)
	}
}

// A fact that makes a rule true in its own way keeps the alert that another kind of fact raised.
func TestAnotherCauseKeepsAnAlert(t *testing.T) {
	sh := newShop(t, `rules:
  - name: gone-about
    when: cause == "arrived" and zone.id == "tables" or cause == "left"
`)
	sh.put("tables", 1)
	sh.put("", 1) // no longer on the tables, but it left
	require.Equal(t, []string{"opened"}, sh.changes)
	sh.put("shelf", 1) // neither
	require.Equal(t, []string{"opened", "cleared"}, sh.changes)
}

// With needs, the first message names all that came together: no second one follows for them.
func TestNeedsAreNamedInTheFirstMessage(t *testing.T) {
	sh := newShop(t, onTables+"    gather: 1m\n    needs: 3\n")
	sh.put("tables", 1, 2, 3)
	require.Equal(t, []string{"opened"}, sh.changes)
	require.Len(t, sh.alerts[0].Members, 2)
	require.Equal(t, []string{"umberhithe-2-1", "umberhithe-3-1"}, sh.joined)
	sh.put("shelf", 1, 2, 3)
	require.Equal(t, []string{"opened", "cleared"}, sh.changes)
}

// A storm takes what a rule raises beyond its limit, also after loading: each is counted against
// the limit, and the sentence says how many there are.
func TestAStormIsStillOneAfterLoading(t *testing.T) {
	sh := newShop(t, onTables+"    limit: 2 per 10m\n    gather: 10s\n")
	for n := range 3 {
		sh.put("tables", n)
		sh.pass(10 * time.Second)
	}
	require.Equal(t, []string{"opened", "opened", "storm opened"}, sh.changes)
	sh.load()
	sh.put("tables", 4)
	require.Len(t, sh.changes, 3)
	storm := sh.b.following.of(storm("on-tables"), "on-tables")
	require.Equal(t, 2, storm.Joined)
	require.Contains(t, storm.Say, "2 more are gathered here")
	require.Equal(t, 4, sh.b.memories.byRule["on-tables"].n)
}

// The first message of a storm names what joined it by then: none follows while nothing else does.
func TestAStormIsNamedOnce(t *testing.T) {
	sh := newShop(t, onTables[:strings.Index(onTables, "    remind")]+"    limit: 2 per 10m\n")
	sh.put("tables", 1, 2, 3)
	sh.pass(time.Hour)
	require.Equal(t, []string{"opened", "opened", "storm opened"}, sh.changes)
	require.Equal(t, stateLeads, sh.b.byID["umberhithe-3-2"].state(), "it is over, and stays for the one that joined it")
}

// The clear delay runs from when the condition ended, however many facts say so again.
func TestTheClearDelayIsNotDrawnOut(t *testing.T) {
	sh := newShop(t, onTables+"    clear: 1m\n")
	sh.put("tables", 1)
	sh.put("shelf", 1)
	sh.pass(30 * time.Second)
	sh.put("till", 1)
	sh.pass(29 * time.Second)
	require.Equal(t, []string{"opened"}, sh.changes)
	sh.pass(time.Second)
	require.Equal(t, []string{"opened", "cleared"}, sh.changes)
}

// A stage that this version does not know is of a newer one.
func TestAnUnknownStageIsRefused(t *testing.T) {
	b := NewBook("umberhithe", nil)
	require.ErrorContains(t, b.LoadAlert(event.AppendAlert(nil, &event.Alert{ID: "umberhithe-1-1", Stage: 9})), "stage 9")
}

func TestMemoryIsBounded(t *testing.T) {
	sh := newShop(t, onTables+"    quiet: 1h\n    gather: 1m\n")
	for n := range maxQuiet + 5 {
		sh.put("tables", n)
	}
	sh.act("acknowledge")
	m := sh.b.memories.byRule["on-tables"]
	require.Len(t, m.quiet, maxQuiet)
	back, err := decodeMemory("on-tables", m.append(nil))
	require.NoError(t, err)
	back.dirty = true
	require.Equal(t, m, back)
}

func FuzzDecodeMemory(f *testing.F) {
	f.Add((&memory{start: opening, n: 3, quiet: map[Subject]int64{Stock(9521234000013, "shelf-a"): opening}}).append(nil))
	f.Fuzz(func(t *testing.T, data []byte) {
		if m, err := decodeMemory("r", data); err == nil {
			_, err = decodeMemory("r", m.append(nil))
			require.NoError(t, err)
		}
	})
}

// A store can hold rules from before they were refused for what they take together.
func TestAFactIsLeftWhenItsRulesTakeTooLong(t *testing.T) {
	var text strings.Builder
	text.WriteString("rules:\n")
	const n = 400
	for i := range n {
		fmt.Fprintf(&text, "- name: rule-%d\n  when: \"any(1..1000, -9000 + # == at.hour or 7000 + # == passage.reads or # + 9000 == at.minute)\"\n", i)
	}
	text.WriteString("- {name: last, when: item.present}\n")
	sh := newShop(t, text.String())
	sh.put("shelf", 1)
	evaluated := 2 * rules.MaxCost / sh.set.Rules()[0].Cost()
	require.Less(t, evaluated, n)
	require.Equal(t, n+1-evaluated, sh.b.Failures())
	require.Equal(t, []string{"rule opened"}, sh.changes, "one report for all of them")
	require.Equal(t, fmt.Sprintf("rule-%d", evaluated), sh.alerts[0].Rule)
	require.Contains(t, sh.alerts[0].Say, "was not evaluated")

	f := event.Fact{Cause: event.Arrived, Key: thing(1), At: sh.now}
	why := func(rule string) Explanation {
		return sh.b.Explain(sh, sh.set.Rule(rule), Item(thing(1)), &f, sh.env(&f))
	}
	require.Equal(t, event.ReasonFailed, why("last").Reason)
	require.Contains(t, why("last").Error, "take too long")
	require.Equal(t, event.ReasonFalse, why("rule-0").Reason)

	sh.put("till", 1)
	require.Equal(t, n+1-evaluated, sh.b.Failures())
	require.Len(t, sh.changes, 1, "and it is made once")
}
