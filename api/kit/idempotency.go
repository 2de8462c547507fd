package kit

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"lintel/engine/store"
)

// maxIdempotencyKey is the longest key that is taken, in bytes.
const maxIdempotencyKey = 255

// IdempotencyKey returns the key that a request carries, "" if none: a quoted string (RFC 8941, as
// the Idempotency-Key draft of the IETF has it) or bare.
func IdempotencyKey(r *http.Request) (string, error) {
	values := r.Header.Values("Idempotency-Key")
	if len(values) == 0 {
		return "", nil
	}
	if len(values) > 1 {
		return "", Problemf(CodeInvalidIdempotencyKey, "There are %d headers Idempotency-Key; send one.", len(values))
	}
	key := strings.TrimSpace(values[0])
	if len(key) >= 2 && key[0] == '"' && key[len(key)-1] == '"' {
		quoted := key[1 : len(key)-1]
		var b strings.Builder
		for i := 0; i < len(quoted); i++ {
			if quoted[i] == '\\' && i+1 < len(quoted) && (quoted[i+1] == '"' || quoted[i+1] == '\\') {
				i++
			} else if quoted[i] == '"' || quoted[i] == '\\' {
				return "", Problemf(CodeInvalidIdempotencyKey, "The Idempotency-Key is not well quoted.")
			}
			b.WriteByte(quoted[i])
		}
		key = b.String()
	} else if strings.HasPrefix(key, `"`) || strings.HasSuffix(key, `"`) {
		return "", Problemf(CodeInvalidIdempotencyKey, "The Idempotency-Key is not well quoted.")
	}
	if key == "" || len(key) > maxIdempotencyKey {
		return "", Problemf(CodeInvalidIdempotencyKey, "An Idempotency-Key has 1 to %d characters.", maxIdempotencyKey)
	}
	for i := range len(key) {
		if key[i] < 0x20 || key[i] > 0x7e {
			return "", Problemf(CodeInvalidIdempotencyKey, "An Idempotency-Key has printable ASCII characters only.")
		}
	}
	return key, nil
}

// Fingerprint tells requests with one key apart: SHA-256 of method, path and inflated body.
func Fingerprint(r *http.Request, body []byte) string {
	h := sha256.New()
	fmt.Fprintf(h, "%s %s\n", r.Method, r.URL.EscapedPath())
	h.Write(body)
	return hex.EncodeToString(h.Sum(nil))
}

// kindAnswer is the kind of kept answers among the store's values; the key is that of the caller
// and the request's.
const kindAnswer store.Kind = "answer"

// maxAttempts is how often a request that failed on our side may be tried again with its key.
const maxAttempts = 100

// answers keeps the promise of an Idempotency-Key for requests that are not journal entries of a
// site. A request claims its key by setting a value that must not exist, which the store grants
// once for all nodes, and replaces the claim by its answer.
//
// A claim without an answer belongs to a request that still runs, or whose process was killed. An
// answer of 500 and above does not settle the matter: the next try with the key replaces it by a
// claim.
type answers struct {
	store store.Values
	now   func() time.Time
	log   *slog.Logger

	pruned Seldom
}

// keptAnswer is a claim on record, and the answer to it if Status is not 0. Times are Unix
// milliseconds.
type keptAnswer struct {
	Fingerprint string            `json:"fingerprint"` // of the request
	Claimed     int64             `json:"claimed"`
	Tries       int               `json:"tries"` // with this one
	Status      int               `json:"status,omitempty"`
	Type        string            `json:"type,omitempty"`
	Header      map[string]string `json:"header,omitempty"`
	Body        []byte            `json:"body,omitempty"`
	At          int64             `json:"at,omitempty"`
}

// over reports whether the key need not be remembered any more. An hour is added for clocks that
// differ.
func (a *keptAnswer) over(now time.Time) bool {
	return max(a.Claimed, a.At) < now.Add(-store.IdempotencyWindow-time.Hour).UnixMilli()
}

// claim is the right to carry out a request, or the answer that it had before.
type claim struct {
	key      string
	revision store.Revision
	kept     keptAnswer
}

// answered reports whether the request had its answer before, which is then kept.
func (c *claim) answered() bool { return c.kept.Status != 0 }

// claim takes the key for a request, or returns the answer that the first one had. The error is
// store.ErrIdempotencyMismatch for a key of another request, and a problem if the first one has no
// answer.
func (s *answers) claim(ctx context.Context, key, fingerprint string, patience time.Duration) (claim, error) {
	s.prune(ctx)
	for {
		c, now := claim{key: key}, s.now()
		err := s.store.Values(ctx, kindAnswer, []string{key}, func(v store.Value) error {
			c.revision = v.Revision
			return json.Unmarshal(v.Data, &c.kept)
		})
		switch {
		case err != nil:
			return claim{}, err
		case c.revision == 0 || c.kept.over(now):
			c.kept = keptAnswer{}
		case c.kept.Fingerprint != fingerprint:
			return claim{}, store.ErrIdempotencyMismatch
		case !c.answered() && now.UnixMilli()-c.kept.Claimed < patience.Milliseconds():
			return claim{}, Problemf(CodeIdempotencyBusy, "The first request with this Idempotency-Key is still running.")
		case !c.answered():
			return claim{}, Problemf(CodeIdempotencyLost,
				"The first request with this Idempotency-Key never ended. Look what became of it, and use a new key.")
		case c.kept.Status < 500:
			return c, nil
		case c.kept.Tries >= maxAttempts:
			return claim{}, Problemf(CodeIdempotencyLost,
				"This Idempotency-Key was tried %d times and failed each time. Use a new key.", maxAttempts)
		}
		c.kept = keptAnswer{Fingerprint: fingerprint, Claimed: now.UnixMilli(), Tries: c.kept.Tries + 1}
		if err = s.set(ctx, &c); !errors.Is(err, store.ErrConflict) {
			return c, err
		} // else another request with the key was quicker
	}
}

// set puts what is kept for a claim on record, if nobody else did since.
func (s *answers) set(ctx context.Context, c *claim) error {
	b, err := json.Marshal(c.kept)
	if err != nil {
		return err
	}
	c.revision, err = s.store.SetValues(ctx, store.Value{Kind: kindAnswer, Key: c.key, Revision: c.revision, Data: b})
	return err
}

// keep puts an answer to a claim on record.
func (s *answers) keep(ctx context.Context, c claim, a keptAnswer) error {
	a.Fingerprint, a.Claimed, a.Tries, a.At = c.kept.Fingerprint, c.kept.Claimed, c.kept.Tries, s.now().UnixMilli()
	c.kept = a
	return s.set(ctx, &c)
}

// prune drops what need not be remembered any more, once an hour. If that fails, the next hour
// tries again.
func (s *answers) prune(ctx context.Context) {
	now := s.now()
	if _, due := s.pruned.Due("", now); !due {
		return
	}
	err := DropValues(ctx, s.store, kindAnswer, func(data []byte) bool {
		var a keptAnswer
		return json.Unmarshal(data, &a) != nil || a.over(now)
	})
	if err != nil {
		s.log.Warn("old answers could not be dropped; will try again in an hour", "err", err)
	}
}

// once carries out a request that has an Idempotency-Key only once, and gives the same answer again.
func (c *Call) once(handle func(*Call) error) error {
	key, err := IdempotencyKey(c.Request())
	if err != nil {
		return err
	}
	if key == "" {
		return handle(c)
	}
	body, err := c.ReadBody(c.BodyLimit())
	if err != nil {
		return err
	}
	defer body.Release()
	ctx := c.Ctx()
	claim, err := c.server.answers.claim(ctx, c.Key.Owner()+" "+key, Fingerprint(c.Request(), body.B), c.server.opt.LongTimeout)
	if err != nil {
		return Unavailable(err)
	}
	if claim.answered() {
		c.Response().Header().Set(HeaderReplayed, "true")
		for name, value := range claim.kept.Header {
			c.Response().Header().Set(name, value)
		}
		return c.Blob(claim.kept.Status, claim.kept.Type, claim.kept.Body)
	}
	c.held = body.B
	tee := &teeWriter{ResponseWriter: c.Response().Writer}
	c.Response().Writer = tee
	if err := handle(c); err != nil {
		c.server.answerProblem(c, AsProblem(err))
	}
	c.Response().Writer = tee.ResponseWriter
	kept := keptAnswer{Status: c.Response().Status, Type: c.Response().Header().Get("Content-Type"), Body: tee.buf.Bytes()}
	for _, name := range []string{"ETag", "Location"} {
		if v := c.Response().Header().Get(name); v != "" {
			kept.Header = map[string]string{name: v} // no answer has both
		}
	}
	if c.Replay != nil {
		kept.Body = MustJSON(c.Replay)
	}
	// The caller may be gone; what was done must be on record all the same.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if err := c.server.answers.keep(ctx, claim, kept); err != nil {
		c.server.opt.Log.Warn("an answer could not be kept for its Idempotency-Key", "err", err)
	}
	return nil
}

// teeWriter copies what is answered.
type teeWriter struct {
	http.ResponseWriter
	buf bytes.Buffer
}

func (w *teeWriter) Write(b []byte) (int, error) {
	w.buf.Write(b)
	return w.ResponseWriter.Write(b)
}

func (w *teeWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// DropValues deletes the values of a kind that are old. One that changes meanwhile stays.
func DropValues(ctx context.Context, st store.Values, kind store.Kind, old func(data []byte) bool) error {
	var drop []store.Value
	err := st.Values(ctx, kind, nil, func(v store.Value) error {
		if old(v.Data) {
			drop = append(drop, store.Value{Kind: kind, Key: v.Key, Revision: v.Revision})
		}
		return nil
	})
	for _, v := range drop {
		if _, e := st.SetValues(ctx, v); e != nil && !errors.Is(e, store.ErrConflict) {
			return e
		}
	}
	return err
}
