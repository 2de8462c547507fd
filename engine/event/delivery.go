package event

import (
	"encoding/json"
	"fmt"

	"github.com/tinylib/msgp/msgp"
)

// Delivery is one message to one channel. ID, Channel, Type, Alert, Order, At and Data are fixed when Step creates it, in the same commit as the
// alert change that it tells of; the rest is the sender's. The id is derived from site, alert, change and channel, so it is
// the same on every try, after every crash and in every replay. It contains no full stop.
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

const deliveryVersion = 1

// AppendDelivery appends the record encoding of d to b.
func AppendDelivery(b []byte, d *Delivery) []byte {
	b = msgp.AppendArrayHeader(b, 15)
	b = msgp.AppendInt(b, deliveryVersion)
	b = msgp.AppendString(b, d.ID)
	b = msgp.AppendString(b, d.Channel)
	b = msgp.AppendString(b, d.Type)
	b = msgp.AppendString(b, d.Alert)
	b = msgp.AppendInt(b, d.Order)
	b = msgp.AppendInt64(b, d.At)
	b = msgp.AppendBytes(b, d.Data)
	b = msgp.AppendUint8(b, uint8(d.Status))
	b = msgp.AppendInt(b, d.Attempts)
	b = msgp.AppendInt64(b, d.NextTry)
	b = msgp.AppendInt64(b, d.LastTry)
	b = msgp.AppendInt64(b, d.Took)
	b = msgp.AppendInt(b, d.Code)
	b = msgp.AppendString(b, d.Reason)
	return b
}

// DecodeDelivery is the inverse of AppendDelivery.
func DecodeDelivery(b []byte) (Delivery, error) {
	var d Delivery
	r := NewDecoder(b)
	if n := r.Array(); r.err == nil && n != 15 {
		return d, fmt.Errorf("delivery record has %d fields, want 15", n)
	}
	if v := r.Int(); r.err == nil && v != deliveryVersion {
		return d, fmt.Errorf("delivery record has version %d, this Lintel reads %d", v, deliveryVersion)
	}
	d.ID, d.Channel, d.Type, d.Alert = r.String(), r.String(), r.String(), r.String()
	d.Order, d.At, d.Data = r.Int(), r.Int64(), r.Bytes()
	d.Status, d.Attempts, d.NextTry, d.LastTry = DeliveryStatus(r.Uint8()), r.Int(), r.Int64(), r.Int64()
	d.Took, d.Code, d.Reason = r.Int64(), r.Int(), r.String()
	if r.err != nil {
		return d, fmt.Errorf("delivery record: %w", r.err)
	}
	return d, nil
}
