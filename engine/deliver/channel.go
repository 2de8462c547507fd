package deliver

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"time"

	"lintel/engine/event"
)

// Format is the shape of the body that a channel's receiver gets.
type Format string

// The formats of a body.
const (
	FormatWebhook     Format = "webhook"     // Standard Webhooks 1.0: {"type", "timestamp", "data"}
	FormatCloudEvents Format = "cloudevents" // CloudEvents 1.0, structured JSON
	FormatTemplate    Format = "template"    // whatever JSON the channel's template describes
)

var formats = []string{string(FormatWebhook), string(FormatCloudEvents), string(FormatTemplate)}

// What a channel has where its document says nothing.
const (
	DefaultTimeout     = 15 * time.Second
	DefaultMaxInFlight = 8
)

// Channel is one destination of deliveries. It comes from ParseChannels; the zero values of its
// fields mean the defaults. A Channel is not changed after it was made and may be shared.
//
// Printing, logging and marshalling a Channel show it as Redacted does. EncodeChannels alone writes
// its secrets.
type Channel struct {
	Name    string // 1 to 64 characters of a-z, 0-9 and '-'
	URL     string // http or https; the path and the query of a chat tool's address are often its password
	Format  Format
	Secrets []Secret          // newest first; at most two
	Headers map[string]string // that each request carries beside ours
	Values  map[string]string // secrets that the template fills in, by name
	Escape  Escape            // how the texts of a message are written where the receiver reads markup

	Timeout     time.Duration // of one try as a whole: name lookup, TLS, request, answer. 0: DefaultTimeout
	Types       []string      // dotted prefixes of the types that it wants, "alert" or "alert.opened"; none: every type
	MaxInFlight int           // tries at one time. 0: DefaultMaxInFlight
	PerSecond   float64       // tries a second; those beyond wait. 0: no limit
	Disabled    bool          // nothing is sent

	AboutChannels bool // it is told of other channels that fail or are stopped, too: messages of TypeFailing and so on

	template *template // of FormatTemplate
}

// Secret is a signing secret, as text: "whsec_" and 24 to 64 bytes in base64. While a secret is
// replaced by a new one, the old one keeps signing beside it until NotAfter, so that the receiver
// can change over at any time between.
type Secret struct {
	Text     string
	NotAfter time.Time // zero: for ever
}

// live reports whether the secret still signs at t.
func (s Secret) live(t time.Time) bool { return s.NotAfter.IsZero() || !t.After(s.NotAfter) }

const (
	maskSecret = SecretPrefix + "***" // what a mask of a secret starts with; eight hex digits that tell secrets apart follow
	maskText   = "***"                // of a header's value, and of what follows the host in a URL
)

// String returns the mask of the secret.
func (s Secret) String() string {
	key, err := decodeSecret(s.Text)
	if err != nil {
		return maskSecret
	}
	// The digits come out of HMAC so that they say nothing about the key that a signature does not
	// say too.
	mac := hmac.New(sha256.New, key)
	io.WriteString(mac, "lintel: which secret this is")
	return maskSecret + hex.EncodeToString(mac.Sum(nil)[:4])
}

// GoString returns the mask of the secret.
func (s Secret) GoString() string { return s.String() }

// LogValue is what slog writes of a secret.
func (s Secret) LogValue() slog.Value { return slog.StringValue(s.String()) }

// MarshalJSON writes the mask of the secret.
func (s Secret) MarshalJSON() ([]byte, error) { return json.Marshal(s.String()) }

// MarshalYAML writes the mask of the secret.
func (s Secret) MarshalYAML() (any, error) { return s.String(), nil }

// redactedURL keeps scheme and host.
func (c Channel) redactedURL() string {
	u, err := url.Parse(c.URL)
	if err != nil || u.Host == "" {
		return maskText
	}
	masked := u.Scheme + "://" + u.Host
	if (u.Path != "" && u.Path != "/") || u.RawQuery != "" || u.Fragment != "" {
		masked += "/" + maskText
	}
	return masked
}

// Redacted returns the channel without what must stay secret: secrets, values and the values of headers are
// masked, and of the URL only scheme and host remain. The result is for people to see; it can't
// send.
func (c Channel) Redacted() Channel {
	c.URL = c.redactedURL()
	c.Secrets = slices.Clone(c.Secrets)
	for i := range c.Secrets {
		if !strings.HasPrefix(c.Secrets[i].Text, maskSecret) {
			c.Secrets[i].Text = c.Secrets[i].String()
		}
	}
	c.Headers = maps.Clone(c.Headers)
	for name := range c.Headers {
		c.Headers[name] = maskText
	}
	c.Values = maps.Clone(c.Values)
	for name := range c.Values {
		c.Values[name] = maskText
	}
	return c
}

// String names the channel and its host.
func (c Channel) String() string {
	return fmt.Sprintf("channel %s (%s to %s)", c.Name, c.Format, c.redactedURL())
}

// GoString is String: no verb of fmt shows a secret.
func (c Channel) GoString() string { return c.String() }

// LogValue is what slog writes of a channel.
func (c Channel) LogValue() slog.Value { return slog.StringValue(c.String()) }

// MarshalJSON writes the document of the redacted channel.
func (c Channel) MarshalJSON() ([]byte, error) { return json.Marshal(c.Redacted().document()) }

// MarshalYAML writes the document of the redacted channel.
func (c Channel) MarshalYAML() (any, error) {
	b, err := c.MarshalJSON()
	if err != nil {
		return nil, err
	}
	var doc any
	err = json.Unmarshal(b, &doc)
	return doc, err
}

// EncodeChannels writes the document of the channels with all their secrets: for the store, never
// for an answer. ParseChannels is its inverse.
func EncodeChannels(channels []Channel) ([]byte, error) {
	doc := struct {
		Channels []channelDocument `json:"channels"`
	}{make([]channelDocument, len(channels))}
	for i := range channels {
		doc.Channels[i] = channels[i].document()
	}
	return json.MarshalIndent(doc, "", "  ")
}

// channelDocument is a channel as JSON has it.
type channelDocument struct {
	Name        string            `json:"name"`
	URL         string            `json:"url"`
	Format      Format            `json:"format"`
	Template    json.RawMessage   `json:"template,omitempty"`
	Secrets     []secretDocument  `json:"secrets,omitempty"`
	Headers     map[string]string `json:"headers,omitempty"`
	Values      map[string]string `json:"values,omitempty"`
	Escape      Escape            `json:"escape,omitempty"`
	Timeout     string            `json:"timeout,omitempty"`
	Types       []string          `json:"types,omitempty"`
	MaxInFlight int               `json:"max_in_flight,omitempty"`
	PerSecond   float64           `json:"per_second,omitempty"`
	Disabled    bool              `json:"disabled,omitempty"`

	AboutChannels bool `json:"about_channels,omitempty"`
}

type secretDocument struct {
	Secret   string     `json:"secret"`
	NotAfter *time.Time `json:"not_after,omitempty"`
}

func (c Channel) document() channelDocument {
	d := channelDocument{
		Name: c.Name, URL: c.URL, Format: c.Format, Headers: c.Headers, Values: c.Values, Escape: c.Escape, Types: c.Types,
		MaxInFlight: c.MaxInFlight, PerSecond: c.PerSecond, Disabled: c.Disabled, AboutChannels: c.AboutChannels,
	}
	if c.template != nil {
		d.Template = c.template.source
	}
	if c.Timeout != 0 {
		d.Timeout = c.Timeout.String()
	}
	for _, s := range c.Secrets {
		sd := secretDocument{Secret: s.Text}
		if !s.NotAfter.IsZero() {
			sd.NotAfter = &s.NotAfter
		}
		d.Secrets = append(d.Secrets, sd)
	}
	return d
}

// Wants reports whether the channel wants messages of the type: one of Types is the type itself, or
// its beginning up to a full stop.
func (c Channel) Wants(eventType string) bool {
	if len(c.Types) == 0 {
		return true
	}
	for _, t := range c.Types {
		if rest, ok := strings.CutPrefix(eventType, t); ok && (rest == "" || rest[0] == '.') {
			return true
		}
	}
	return false
}

func (c *Channel) timeout() time.Duration {
	if c.Timeout > 0 {
		return c.Timeout
	}
	return DefaultTimeout
}

func (c *Channel) maxInFlight() int {
	if c.MaxInFlight > 0 {
		return c.MaxInFlight
	}
	return DefaultMaxInFlight
}

// keys returns the keys that sign at now, in the order of Secrets.
func (c *Channel) keys(now time.Time) ([][]byte, error) {
	var keys [][]byte
	for _, s := range c.Secrets {
		if !s.live(now) {
			continue
		}
		key, err := decodeSecret(s.Text)
		if err != nil {
			return nil, fmt.Errorf("channel %s: %w", c.Name, err)
		}
		keys = append(keys, key)
	}
	return keys, nil
}

// address returns the host and port of the URL if the host is an address, so that a guard can be
// asked before anything is sent.
func (c Channel) address() (netip.AddrPort, bool) {
	u, err := url.Parse(c.URL)
	if err != nil {
		return netip.AddrPort{}, false
	}
	addr, err := netip.ParseAddr(u.Hostname())
	if err != nil {
		return netip.AddrPort{}, false
	}
	port := uint16(80)
	if u.Scheme == "https" {
		port = 443
	}
	if p := u.Port(); p != "" {
		ap, err := netip.ParseAddrPort("0.0.0.0:" + p)
		if err != nil {
			return netip.AddrPort{}, false
		}
		port = ap.Port()
	}
	return netip.AddrPortFrom(addr, port), true
}

// Sample returns a delivery of the kind that channels get: what templates are tried with before
// they are accepted, and what Test sends. It is about Umberhithe Books, a bookshop that does not
// exist.
func Sample(channel string) event.Delivery {
	at := time.Date(2026, 11, 14, 10, 30, 0, 0, time.UTC).UnixMilli()
	a := event.Alert{
		ID: "umberhithe-1-1", Rule: "unpaid-at-door", About: "item", Severity: "urgent", Status: event.AlertOpen, Zone: "street-door",
		Say: "\"The Harbour Light\" passed the street door unpaid", GTIN: 9521234500018, Since: at, OpenedAt: at,
	}
	data, err := json.Marshal(event.Message{
		Alert: a.View("umberhithe"), Order: 1, Test: true,
		Product: &event.MessageProduct{GTIN: "09521234500018", SKU: "UB-1001", Name: "The Harbour Light", Category: "fiction", Price: 9.99},
	})
	if err != nil {
		panic(fmt.Sprintf("deliver: the sample does not marshal: %v", err)) // all its parts are strings and numbers
	}
	return event.Delivery{ID: "msg_sample", Channel: channel, Type: event.ChangeOpened, Alert: a.ID, Order: 1, At: at, Data: data}
}
