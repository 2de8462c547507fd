package engine

import (
	"fmt"
	"math"

	"lintel/engine/event"
)

// Machine is the state machine of one site: journal entries and time go in, batches of what came of
// them come out. It is the only thing that changes a State, which it embeds for questions. It reads no
// clock and no file and draws nothing at random: equal entries give equal batches. Production, trials,
// cases, simulations and tests all drive one. It is not safe for concurrent use.
type Machine struct {
	*State
	batch    Batch
	taken    bool // by Batch: the next Apply begins a new one
	written  bool // and so were its writes
	recorded bool
}

// NewMachine returns the machine of a site of which nothing is known.
func NewMachine(site string, cfg *Config) *Machine { return newMachine(NewState(site, cfg)) }

// NewReplay returns a machine for facts that were recorded (event.EntryFacts): nothing is concluded
// again, and the only timers are those of alerts.
func NewReplay(site string, cfg *Config) *Machine {
	m := NewMachine(site, cfg)
	m.recorded = true
	m.counts.Recorded()
	return m
}

func newMachine(s *State) *Machine {
	m := &Machine{State: s}
	m.batch.m = m
	s.out = &m.batch
	return m
}

// Batch is what came of the entries since the batch before. What is in Writes and Facts must be
// durable, in one commit with the place in the journal (State.Seq), before anything of Deliveries is
// sent or anything of Facts and Alerts shown: after a crash the entries that were not committed are
// applied again, and give the same. It holds until the machine's next Apply or Advance, which begins
// a new one.
type Batch struct {
	Facts      []event.Fact
	Alerts     []AlertChange        // in their order
	Joined     []event.Alert        // alerts that became part of another, which is told for them; of these there is no change
	Results    []*event.CountResult // of counts that were closed
	Deliveries []event.Delivery     // messages to send; they are also to be stored
	Holdings   []Holding            // what the index of a store with several shops is to know, in order

	Reads      int // reads applied
	Unplaced   int // reads of read points that the layout does not have, and handheld reads without a zone
	Weak       int // reads below the read point's floor
	RuleErrors int

	m *Machine
}

// AlertChange is one change of an alert.
type AlertChange struct {
	Seq   uint64 // the entry that it came of
	At    int64  // the site clock then, Unix milliseconds
	Type  string // event.ChangeOpened and its like
	Alert event.Alert
}

// Writes returns the records to write and to delete, in a fixed order of kinds: with them the state is
// loaded again as it is. It is called once a batch, or never by whoever keeps nothing.
func (b *Batch) Writes() []Change {
	b.m.written = true
	return b.m.flush()
}

func (b *Batch) reset() {
	*b = Batch{Facts: b.Facts[:0], Alerts: b.Alerts[:0], Joined: b.Joined[:0], Results: b.Results[:0], Deliveries: b.Deliveries[:0],
		Holdings: b.Holdings[:0], m: b.m}
}

// Batch returns what came of all that was applied since the last call.
func (m *Machine) Batch() *Batch {
	m.begin()
	m.taken = true
	return &m.batch
}

// begin starts a new batch if the last one was taken.
func (m *Machine) begin() {
	if !m.taken {
		return
	}
	m.batch.reset()
	if !m.written {
		m.forget()
	}
	m.taken, m.written = false, false
}

// Apply takes the next entry of the site's journal; any other is refused and changes nothing. An entry
// with Seq 0, where there is no journal, becomes the next one. Cfg is the configuration that holds
// from this entry on, nil for no other than before.
func (m *Machine) Apply(e *event.Entry, cfg *Config) error {
	if e.Seq == 0 {
		e.Seq = m.seq + 1
	}
	if e.Seq != m.seq+1 {
		return fmt.Errorf("engine: entry %d of site %s can't follow entry %d", e.Seq, m.site, m.seq)
	}
	m.begin()
	if cfg == nil {
		cfg = m.bound.cfg
	}
	m.step(cfg, e)
	return nil
}

// NextTimer returns when, by the site clock in Unix milliseconds, something is due without any further
// entry; math.MaxInt64: never. An entry received then or later carries it out.
func (m *Machine) NextTimer() int64 {
	if m.clock == 0 {
		return math.MaxInt64 // before the first entry no hour or day has begun
	}
	if m.recorded {
		return min(m.alerts.Next(), m.view.silenceNext(), m.view.zonesNext(), m.view.daysNext())
	}
	return m.State.NextTimer()
}

// Tick returns the entry that says that time has passed, and whether a timer is due by a moment. Timers
// run when the site clock moves, so its time is after that of the entry before.
func (m *Machine) Tick(now int64) (event.Entry, bool) {
	next := m.NextTimer()
	return event.Entry{Kind: event.EntryTick, At: max(next, m.clock+1)}, next <= now
}

// Pending returns about how many records and facts the batch has so far.
func (m *Machine) Pending() int {
	return len(m.changed) + m.counts.Pending() + 2*len(m.batch.Facts)
}

// Advance carries out the next timer that is due up to a moment, where no journal does it with ticks,
// and reports whether there was one. Call it until there is none.
func (m *Machine) Advance(to int64) bool {
	e, due := m.Tick(to)
	if due {
		e.Seq = m.seq + 1
		m.begin()
		m.step(m.bound.cfg, &e)
	}
	return due
}
