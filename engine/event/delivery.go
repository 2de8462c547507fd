package event

import (
	"encoding/json"
)

// Delivery is one message to one channel. ID, Channel, Type, Alert, Order, At and Data are fixed
// when Step creates it, in the same commit as the alert change that it tells of; the rest is the
// sender's. The id is derived from site, alert, change and channel, so it is the same on every try,
// after every crash and in every replay. It contains no full stop.
type Delivery struct {
	ID      string
	Channel string
	Type    string          // a change of the alert, such as ChangeOpened
	Alert   string          // the alert's id
	Order   int             // 1, 2, 3, ... within the alert: what a receiver compares to drop a stale message
	At      int64           // Unix milliseconds of the site clock: when it happened
	Data    json.RawMessage // the JSON object that the message carries as "data"

	Status   DeliveryStatus
	Attempts int    // tries so far
	NextTry  int64  // Unix milliseconds; 0: at once
	LastTry  int64  // Unix milliseconds of the last attempt, 0: none
	Took     int64  // milliseconds that the last attempt took
	Code     int    // HTTP status of the last attempt, 0: no answer
	Reason   string // why the last attempt failed, or why it is dead; never holds a secret
}

const (
	deliveryVersion = 1
	deliveryFields  = 15
)

func (d *Delivery) fields(c *codec) {
	c.text(&d.ID)
	c.text(&d.Channel)
	c.text(&d.Type)
	c.text(&d.Alert)
	num(c, &d.Order)
	num(c, &d.At)
	c.blob((*[]byte)(&d.Data))
	unum(c, &d.Status)
	num(c, &d.Attempts)
	num(c, &d.NextTry)
	num(c, &d.LastTry)
	num(c, &d.Took)
	num(c, &d.Code)
	c.text(&d.Reason)
}

// AppendDelivery appends the record encoding of d to b.
func AppendDelivery(b []byte, d *Delivery) []byte {
	c := newEncoder(b, deliveryVersion, deliveryFields)
	d.fields(&c)
	return c.b
}

// DecodeDelivery is the inverse of AppendDelivery.
func DecodeDelivery(b []byte) (d Delivery, err error) {
	c := openRecord(b, deliveryVersion, deliveryFields, deliveryFields)
	d.fields(&c)
	return d, c.end("delivery record")
}
