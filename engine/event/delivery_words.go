package event

// DeliveryStatus is where a delivery stands.
type DeliveryStatus uint8

// The statuses of a delivery; DeliveryStatuses says what each means. Step creates deliveries as
// pending; the sender moves them on. The numbers are stored: add at the end, never renumber.
const (
	DeliveryPending   DeliveryStatus = 0
	DeliveryDelivered DeliveryStatus = 1
	DeliveryDead      DeliveryStatus = 2
)

// DeliveryStatuses are the values of DeliveryStatus, with their texts and meanings.
var DeliveryStatuses = numbered[DeliveryStatus]("delivery status", []Word{
	DeliveryPending:   {"pending", "to be tried when its time comes"},
	DeliveryDelivered: {"delivered", "the receiver answered 2xx"},
	DeliveryDead:      {"dead", "the schedule ended, or the receiver said 410: a person decides"},
})

// String returns the text of s.
func (s DeliveryStatus) String() string { return DeliveryStatuses.Text(s) }

// MarshalText returns the text of s.
func (s DeliveryStatus) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText sets s to the value with this text; the error names the texts that there are.
func (s *DeliveryStatus) UnmarshalText(b []byte) error { return DeliveryStatuses.unmarshal(b, s) }
