package event

import (
	"encoding/json"
	"fmt"
	"time"

	"github.com/tinylib/msgp/msgp"

	"lintel/engine/epc"
)

// Alert is what a rule made of facts, about one subject.
type Alert struct {
	ID       string
	Rule     string
	Digest   string // of the rule's meaning when the alert was raised: which version it was
	About    string // item, stock, reader, count, zone; "rule" for a rule that failed, "storm" for all that a rule raised beyond its limit
	Severity string
	Watch    bool // the rule was only watched: nobody was told
	Status   AlertStatus

	Key   epc.Key // about an item: which
	Text  string  // its words, where the key does not hold them
	GTIN  uint64
	Zone  string // where the subject was when the alert opened
	Place string // about stock: the zone id, or "kind:" and a zone kind; about a reader: the read point; about a count: its id; about a zone: its id

	Cause   Cause   // of the fact that raised it; rules see this cause and passage for as long as the alert lives
	Passage Passage // likewise
	FactMs  int64
	FactN   uint32

	Since    int64 // when the condition became true; all times are Unix milliseconds of the site clock, 0: not yet
	OpenedAt int64
	EndedAt  int64 // when the condition ended
	AckedAt  int64
	ClosedAt int64
	AckedBy  string
	ClosedBy string
	Outcome  string
	Note     string     // the last one
	History  []AlertAct // what people did, oldest first

	Say    string          // the rule's sentence, filled in when the alert opened
	Why    json.RawMessage // the tree of the rule's expression with the value of each part, when the alert opened
	Send   []string        // channels that were told
	Orders int             // deliveries made so far, per change

	Stage Stage // what holds a pending one back
	Due   int64 // when a hold, another wait or a clear delay ends, 0: no timer

	RemindAt    int64 // when it is told again, 0: not
	EscalateAt  int64 // when others are told that nobody acknowledged it, 0: not, or done
	EscalatedAt int64
	Reminders   int // sent so far

	// With gather, alerts that open within that time of a first one join it: they are told as part
	// of it.
	Group      string   // which others it is gathered with
	Lead       string   // the alert that this one joined; nobody sees this one by itself
	Members    []string // what joined this one, in words
	Untold     int      // how many of Members no message has named yet
	Joined     int      // how many have joined in all; Members lists the first of them
	MembersOn  int      // how many of those that joined have not ended
	Ended      bool     // its own condition ended while members go on
	GatherEnds int64    // until when others may join
	TellAt     int64    // when those that joined are told of, 0: not

	Alternative int // of its rule, which was taken when it opened; from 1, 0: none

	First FirstStep // of a rule with first: what came before
}

// FirstStep is what happened first, for a rule that asks for two things in their order.
type FirstStep struct {
	At    int64   // when it happened, or was last so where it lasts; 0: the rule asks for nothing before
	Zone  string  // where
	Key   epc.Key // the item that it happened to, where that is another one of the same product
	Text  string  // its words, where the key does not hold them
	Lasts bool    // it is so still: the time for what comes then has not begun
}

const (
	alertVersion = 2
	alertFields  = 58
	leastFields  = 49 // before doors had names
)

func (a *Alert) fields(c *codec) {
	for _, s := range []*string{
		&a.ID, &a.Rule, &a.Digest, &a.About, &a.Severity, &a.Text, &a.Zone, &a.Place, &a.AckedBy, &a.ClosedBy, &a.Outcome, &a.Note, &a.Say,
	} {
		c.text(s)
	}
	c.flag(&a.Watch)
	unum(c, &a.Status)
	c.identity(&a.Key)
	unum(c, &a.GTIN)
	unum(c, &a.Cause)
	a.Passage.way(c)
	c.real(&a.Passage.Confidence)
	num(c, &a.Passage.Reads)
	a.Passage.strength(c)
	unum(c, &a.FactN)
	for _, t := range []*int64{&a.FactMs, &a.Since, &a.OpenedAt, &a.EndedAt, &a.AckedAt, &a.ClosedAt, &a.Due} {
		num(c, t)
	}
	num(c, &a.Orders)
	c.blob((*[]byte)(&a.Why))
	c.texts(&a.Send)
	c.text(&a.Lead)
	c.texts(&a.Members)
	num(c, &a.Untold)
	num(c, &a.MembersOn)
	c.flag(&a.Ended)
	unum(c, &a.Stage)
	c.text(&a.Group)
	num(c, &a.Reminders)
	num(c, &a.Joined)
	for _, t := range []*int64{&a.GatherEnds, &a.RemindAt, &a.EscalateAt, &a.EscalatedAt, &a.TellAt} {
		num(c, t)
	}
	c.text(&a.Passage.Door) // this and what follows came later
	c.acts(&a.History)
	num(c, &a.Alternative)
	num(c, &a.First.At)
	c.text(&a.First.Zone)
	c.identity(&a.First.Key)
	c.text(&a.First.Text)
	c.flag(&a.First.Lasts)
}

// AppendAlert appends the record encoding of a to b.
func AppendAlert(b []byte, a *Alert) []byte {
	c := newEncoder(b, alertVersion, alertFields)
	a.fields(&c)
	return c.b
}

// DecodeAlert is the inverse of AppendAlert.
func DecodeAlert(b []byte) (a Alert, err error) {
	c := openRecord(b, alertVersion, leastFields, alertFields)
	a.fields(&c)
	return a, c.end("alert record")
}

// AlertAct is what a person did to an alert, and when.
type AlertAct struct {
	At      int64 // Unix milliseconds of the site clock
	By      string
	Do      string // one of Acts
	Outcome string // of ActClose and ActCorrect
	Note    string
}

// MaxHistory is how many things that people did are kept of one alert; but for its closing, more are
// not taken.
const MaxHistory = 100

// acts visits what people did to an alert.
func (c *codec) acts(list *[]AlertAct) {
	if c.encoding {
		c.b = msgp.AppendArrayHeader(c.b, uint32(5*len(*list)))
		for _, a := range *list {
			c.b = msgp.AppendInt64(c.b, a.At)
			for _, s := range [...]string{a.By, a.Do, a.Outcome, a.Note} {
				c.b = msgp.AppendString(c.b, s)
			}
		}
	} else if c.decoding() {
		for n := c.Array(); n > 0 && c.err == nil; n -= 5 {
			*list = append(*list, AlertAct{At: c.Int64(), By: c.String(), Do: c.String(), Outcome: c.String(), Note: c.String()})
		}
	}
}

// Over reports whether the alert has ended: it cleared, or a person closed it.
func (a *Alert) Over() bool { return a.Status == AlertCleared || a.Status == AlertClosed }

// Item returns the identity in words of the item that the alert is about, or "".
func (a *Alert) Item() string {
	if a.Key == (epc.Key{}) {
		return ""
	}
	return KeyText(a.Key, a.Text)
}

// Notice is what every alert says wherever it is read.
const Notice = "A prompt to look, not proof of anything. Act only as local law and the shop's trained practice allow."

// AlertView is an alert as answers and messages show it.
type AlertView struct {
	ID       string          `json:"id"`
	Site     string          `json:"site"`
	Rule     string          `json:"rule"`
	Version  string          `json:"rule_hash"`
	About    string          `json:"about" jsonschema_extras:"words=subject"`
	Severity string          `json:"severity"`
	Status   string          `json:"status" jsonschema_extras:"words=alert status"`
	Watch    bool            `json:"watch,omitempty"`
	Say      string          `json:"say"`
	Item     string          `json:"item,omitempty"`
	GTIN     string          `json:"gtin,omitempty"`
	Zone     string          `json:"zone,omitempty"`
	Place    string          `json:"place,omitempty" jsonschema_description:"About stock: a zone's id, or kind: and a zone kind."`
	Reader   string          `json:"reader,omitempty" jsonschema_description:"About a reader: the read point's id."`
	Count    string          `json:"count,omitempty" jsonschema_description:"About a count: its id."`
	Cause    string          `json:"cause,omitempty" jsonschema_extras:"words=cause"`
	Fact     string          `json:"fact,omitempty"`
	Passage  *PassageView    `json:"passage,omitempty"`
	First    *FirstView      `json:"first,omitempty"` // of a rule with first: what came before
	Since    *time.Time      `json:"since,omitempty"`
	Opened   *time.Time      `json:"opened_at,omitempty"`
	Cleared  *time.Time      `json:"cleared_at,omitempty"`
	Acked    *time.Time      `json:"acknowledged_at,omitempty"`
	AckedBy  string          `json:"acknowledged_by,omitempty"`
	Closed   *time.Time      `json:"closed_at,omitempty"`
	ClosedBy string          `json:"closed_by,omitempty"`
	Outcome  string          `json:"outcome,omitempty" jsonschema_extras:"words=outcome"`
	Note     string          `json:"note,omitempty" jsonschema_description:"The last one."`
	History  []ActView       `json:"history,omitempty" jsonschema_description:"What people did, oldest first: an outcome that was corrected stands beside the one before."`
	Escal    *time.Time      `json:"escalated_at,omitempty"`
	Remind   int             `json:"reminders,omitempty"`
	Members  []string        `json:"gathered,omitempty"` // what else the alert is about, the first hundred
	Joined   int             `json:"gathered_count,omitempty"`
	Why      json.RawMessage `json:"why,omitempty"`
	Notice   string          `json:"notice"`
}

// ActView is what a person did to an alert, as answers and messages show it.
type ActView struct {
	At      time.Time `json:"at"`
	By      string    `json:"by"`
	Do      string    `json:"do" jsonschema_extras:"words=act"`
	Outcome string    `json:"outcome,omitempty" jsonschema_extras:"words=outcome"`
	Note    string    `json:"note,omitempty"`
}

// FirstView is what happened first, as answers show it.
type FirstView struct {
	At   *time.Time `json:"at"`
	Zone string     `json:"zone,omitempty"` // the id of the zone where it happened
	Item string     `json:"item,omitempty" jsonschema_description:"Another item of the same product, to which it happened."`
}

// View returns the step as answers show it, nil if there is none.
func (f FirstStep) View() *FirstView {
	if f.At == 0 {
		return nil
	}
	v := &FirstView{At: Moment(f.At), Zone: f.Zone}
	if !f.Key.IsZero() {
		v.Item = KeyText(f.Key, f.Text)
	}
	return v
}

// Message is what a message about an alert carries as its data.
type Message struct {
	Alert   AlertView       `json:"alert"`
	Order   int             `json:"order"` // among the messages of the alert
	Product *MessageProduct `json:"product,omitempty"`
	Test    bool            `json:"test,omitempty"` // it is a sample
}

// MessageProduct is a product as messages show it.
type MessageProduct struct {
	GTIN     string  `json:"gtin"`
	SKU      string  `json:"sku,omitempty"`
	Name     string  `json:"name"`
	Category string  `json:"category,omitempty"`
	Price    float64 `json:"price,omitempty"`
}

// PassageView is a passage as answers show it.
type PassageView struct {
	Direction  string   `json:"direction" jsonschema_extras:"words=direction"`
	Door       string   `json:"door,omitempty"` // the zone id of the door
	Sure       bool     `json:"sure"`           // false: notified early, as likely
	Confidence float64  `json:"confidence"`
	Reads      int      `json:"reads"`
	PeakRSSI   *float64 `json:"peak_rssi,omitempty"` // dBm
	Seconds    float64  `json:"seconds"`
}

// View returns the passage as answers show it, nil if there is none.
func (p Passage) View() *PassageView {
	if p.Direction == DirectionNone {
		return nil
	}
	v := &PassageView{
		Direction: p.Direction.String(), Door: p.Door, Sure: !p.Likely, Confidence: p.Confidence, Reads: p.Reads,
		Seconds: float64(p.Span) / 1000,
	}
	if p.Peak != NoRSSI {
		db := float64(p.Peak) / 10
		v.PeakRSSI = &db
	}
	return v
}

// NearView is how long and how strongly a door has heard an item that lingers near it.
type NearView struct {
	Door     string   `json:"door"` // the zone id of the door
	Seconds  float64  `json:"seconds"`
	PeakRSSI *float64 `json:"peak_rssi,omitempty"` // dBm
}

// Near returns what a fact of the causes Near and Away says of the door, nil for any other.
func (f *Fact) Near() *NearView {
	if f.Cause != Near && f.Cause != Away {
		return nil
	}
	v := &NearView{Door: f.Passage.Door, Seconds: float64(f.Passage.Span) / 1000}
	if f.Passage.Peak != NoRSSI {
		v.PeakRSSI = new(float64(f.Passage.Peak) / 10)
	}
	return v
}

// View returns the alert as answers and messages show it.
func (a *Alert) View(site string) AlertView {
	v := AlertView{
		ID: a.ID, Site: site, Rule: a.Rule, Version: a.Digest, About: a.About, Severity: a.Severity,
		Status: a.Status.String(), Watch: a.Watch,
		Say: a.Say, Item: a.Item(), GTIN: GTINText(a.GTIN), Zone: a.Zone, Passage: a.Passage.View(),
		Since: Moment(a.Since), Opened: Moment(a.OpenedAt), Cleared: Moment(a.EndedAt), Acked: Moment(a.AckedAt), AckedBy: a.AckedBy,
		Closed: Moment(a.ClosedAt), ClosedBy: a.ClosedBy, Outcome: a.Outcome, Note: a.Note,
		Escal: Moment(a.EscalatedAt), Remind: a.Reminders, Members: a.Members, Joined: a.Joined, Why: a.Why, Notice: Notice,
	}
	for _, h := range a.History {
		v.History = append(v.History, ActView{At: time.UnixMilli(h.At).UTC(), By: h.By, Do: h.Do, Outcome: h.Outcome, Note: h.Note})
	}
	v.Place, v.Reader, v.Count = SplitPlace(a.About, a.Place)
	v.First = a.First.View()
	if a.FactMs != 0 {
		v.Cause, v.Fact = a.Cause.String(), fmt.Sprintf("%d-%d", a.FactMs, a.FactN)
	}
	return v
}

// SplitPlace returns the place of an alert's subject as what it is: of stock a zone or "kind:" and a
// zone kind, else the id of a reader or of a count.
func SplitPlace(about, place string) (stock, reader, count string) {
	switch about {
	case AboutReader:
		return "", place, ""
	case AboutCount:
		return "", "", place
	case AboutZone:
		return "", "", "" // the alert has its zone
	}
	return place, "", ""
}

// Moment returns the time of Unix milliseconds, nil for 0.
func Moment(ms int64) *time.Time {
	if ms == 0 {
		return nil
	}
	t := time.UnixMilli(ms).UTC()
	return &t
}

// GTINText writes a GTIN-14 with its leading zeros, "" for 0.
func GTINText(g uint64) string {
	if g == 0 {
		return ""
	}
	var b [14]byte
	for i := len(b) - 1; i >= 0; i-- {
		b[i] = byte('0' + g%10)
		g /= 10
	}
	return string(b[:])
}
