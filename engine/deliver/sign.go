package deliver

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// The headers of Standard Webhooks 1.0 (specification, "Webhook Headers").
const (
	HeaderID        = "webhook-id"        // the message; the same on every try
	HeaderTimestamp = "webhook-timestamp" // Unix seconds of this try
	HeaderSignature = "webhook-signature" // "v1," and a base64 HMAC-SHA256; several of them with spaces between
)

// SecretPrefix starts every secret as text.
const SecretPrefix = "whsec_"

// Tolerance is how far the time of a message may be from the receiver's clock. The specification
// leaves the value open; its reference libraries have this one.
const Tolerance = 5 * time.Minute

const (
	minKeyBytes = 24 // both from the specification, "Signature scheme"
	maxKeyBytes = 64
)

// What Verify finds, to be told apart with errors.Is.
var (
	ErrHeaders   = errors.New("a webhook header is missing or malformed")
	ErrTime      = errors.New("the message's time is too far from now")
	ErrSignature = errors.New("no signature fits")
)

// NewSecret makes a secret of 32 random bytes. random is crypto/rand.Reader outside of tests; it
// panics if that fails, since there is then nothing to sign with.
func NewSecret(random io.Reader) string {
	var key [32]byte
	if _, err := io.ReadFull(random, key[:]); err != nil {
		panic("deliver: no random bytes for a secret: " + err.Error())
	}
	return SecretPrefix + base64.StdEncoding.EncodeToString(key[:])
}

// decodeSecret returns the key. Its errors don't quote the secret.
func decodeSecret(s string) ([]byte, error) {
	text, ok := strings.CutPrefix(s, SecretPrefix)
	if !ok {
		return nil, fmt.Errorf("a secret starts with %q", SecretPrefix)
	}
	return decodeKey(text)
}

func decodeKey(text string) ([]byte, error) {
	key, err := base64.StdEncoding.Strict().DecodeString(text)
	if err != nil || strings.ContainsAny(text, "\r\n") {
		return nil, fmt.Errorf("what follows %q in a secret is base64 with its padding, and this is not", SecretPrefix)
	}
	if len(key) < minKeyBytes || len(key) > maxKeyBytes {
		return nil, fmt.Errorf("a secret has %d to %d bytes, this one has %d", minKeyBytes, maxKeyBytes, len(key))
	}
	return key, nil
}

// appendSignature appends the signature of a message by one key. What is signed is
// "id.timestamp.body".
func appendSignature(b, key []byte, id string, at int64, body []byte) []byte {
	mac := hmac.New(sha256.New, key)
	io.WriteString(mac, id)
	var buf [32]byte
	stamp := append(buf[:0], '.')
	stamp = strconv.AppendInt(stamp, at, 10)
	mac.Write(append(stamp, '.'))
	mac.Write(body)
	b = append(b, "v1,"...)
	var sum [sha256.Size]byte
	return base64.StdEncoding.AppendEncode(b, mac.Sum(sum[:0]))
}

// setSignature sets the three headers, signed by all keys, in their order. Without a key the
// message goes unsigned.
func setSignature(h http.Header, keys [][]byte, id string, now time.Time, body []byte) {
	at := now.Unix()
	h.Set(HeaderID, id)
	h.Set(HeaderTimestamp, strconv.FormatInt(at, 10))
	if len(keys) == 0 {
		return
	}
	b := make([]byte, 0, 48*len(keys))
	for i, key := range keys {
		if i > 0 {
			b = append(b, ' ')
		}
		b = appendSignature(b, key, id, at, body)
	}
	h.Set(HeaderSignature, string(b))
}

// Sign returns the headers of a message that is sent at now, signed by every one of the secrets.
func Sign(secrets []string, id string, now time.Time, body []byte) (http.Header, error) {
	keys := make([][]byte, len(secrets))
	for i, s := range secrets {
		key, err := decodeSecret(s)
		if err != nil {
			return nil, err
		}
		keys[i] = key
	}
	h := http.Header{}
	setSignature(h, keys, id, now, body)
	return h, nil
}

// Verify is the receiver's side: it returns nil if one of the signatures in the headers was made
// over body with one of the secrets and the message's time is at most tolerance from now (0:
// Tolerance). body is the request's body exactly as it came. Signatures are compared in constant
// time, those of unknown versions are passed over. A secret may lack its prefix "whsec_". A
// receiver should also remember the id for as long as the tolerance and drop a message that it has
// seen.
func Verify(secrets []string, headers http.Header, body []byte, now time.Time, tolerance time.Duration) error {
	if tolerance <= 0 {
		tolerance = Tolerance
	}
	id, stamp, signatures := headers.Get(HeaderID), headers.Get(HeaderTimestamp), headers.Get(HeaderSignature)
	for _, h := range [...]struct{ name, value string }{{HeaderID, id}, {HeaderTimestamp, stamp}, {HeaderSignature, signatures}} {
		if h.value == "" {
			return fmt.Errorf("%w: %s is missing", ErrHeaders, h.name)
		}
	}
	at, err := strconv.ParseInt(stamp, 10, 64)
	if err != nil || strconv.FormatInt(at, 10) != stamp {
		return fmt.Errorf("%w: %s is not a number of seconds", ErrHeaders, HeaderTimestamp)
	}
	// In seconds and not as a Duration, which a hostile number would overflow.
	seconds := int64(tolerance / time.Second)
	if unix := now.Unix(); at < unix-seconds || at > unix+seconds {
		return fmt.Errorf("%w: more than %v", ErrTime, tolerance)
	}
	fits := false
	for _, s := range secrets {
		key, err := decodeKey(strings.TrimPrefix(s, SecretPrefix))
		if err != nil {
			return err
		}
		want := appendSignature(nil, key, id, at, body)
		for got := range strings.FieldsSeq(signatures) {
			if hmac.Equal([]byte(got), want) {
				fits = true
			}
		}
	}
	if !fits {
		return ErrSignature
	}
	return nil
}
