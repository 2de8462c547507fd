package kit

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"time"

	"lintel/engine/store"
)

// maxIdempotencyKey is the longest key that is taken, in bytes.
const maxIdempotencyKey = 255

// IdempotencyKey returns the key that a request carries, "" if none: a quoted string (RFC 8941, as the Idempotency-Key draft of the IETF has it) or bare.
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

// AnswersSite is the site-shaped corner of the store in which answers are kept. No shop can have this id.
const AnswersSite = "_answers"

// kindAnswer is the record kind of kept answers; the record's key is the Seq of the claim, 8 bytes big endian.
const kindAnswer store.Kind = "answer"

// maxAttempts is how often a request that failed on our side may be tried again with its key.
const maxAttempts = 100

// answers gives requests with an Idempotency-Key that are not journal entries of a site the same promise as those that are: each key claims an entry of a
// journal of its own, which the store does once and for all nodes, and the answer is then kept under it.
//
// A claim without an answer is a request that still runs, or whose process was killed. An answer of 500 and above does not settle the matter: the next try with the key
// claims the next number behind it.
type answers struct {
	store store.Store
	now   func() time.Time
	log   *slog.Logger

	pruned Hourly
}

// keptAnswer is an answer on record.
type keptAnswer struct {
	Status int               `json:"status"`
	Type   string            `json:"type"`
	Header map[string]string `json:"header,omitempty"`
	Body   []byte            `json:"body"`
	At     int64             `json:"at"` // Unix milliseconds
}

// claim is the right to carry out a request, or the answer that it had before.
type claim struct {
	seq    store.Seq
	answer *keptAnswer
}

func answerKey(seq store.Seq) string {
	return string(binary.BigEndian.AppendUint64(nil, uint64(seq)))
}

// claim takes the key for a request, or returns the answer that the first one had.
func (s *answers) claim(ctx context.Context, key, Fingerprint string, patience time.Duration) (claim, error) {
	s.prune(ctx)
	for try := range maxAttempts {
		now := s.now().UnixMilli()
		res, err := s.store.Append(ctx, AnswersSite, store.NewEntry{
			Data: binary.BigEndian.AppendUint64(nil, uint64(now)), IdempotencyKey: fmt.Sprintf("%s %d", key, try), Fingerprint: Fingerprint,
		})
		if err != nil {
			return claim{}, err
		}
		c := claim{seq: res[0].Seq}
		if !res[0].Replayed {
			return c, nil
		}
		var kept *keptAnswer
		_, err = s.store.Records(ctx, AnswersSite, kindAnswer, []string{answerKey(c.seq)}, func(_ store.Kind, _ string, v []byte) error {
			kept = new(keptAnswer)
			return json.Unmarshal(v, kept)
		})
		switch {
		case err != nil:
			return claim{}, err
		case kept == nil:
			return claim{}, s.unanswered(ctx, c.seq, now, patience)
		case kept.Status < 500:
			c.answer = kept
			return c, nil
		}
	}
	return claim{}, Problemf(CodeIdempotencyLost, "This Idempotency-Key was tried %d times and failed each time. Use a new key.", maxAttempts)
}

// unanswered says whether the first request still runs.
func (s *answers) unanswered(ctx context.Context, seq store.Seq, now int64, patience time.Duration) error {
	entries, err := s.store.Read(ctx, AnswersSite, seq-1, 1, 0)
	if err == nil && len(entries) == 1 && len(entries[0].Data) == 8 {
		if now-int64(binary.BigEndian.Uint64(entries[0].Data)) < patience.Milliseconds() {
			return Problemf(CodeIdempotencyBusy, "The first request with this Idempotency-Key is still running.")
		}
	}
	return Problemf(CodeIdempotencyLost, "The first request with this Idempotency-Key never ended. Look what became of it, and use a new key.")
}

// keep puts an answer on record.
func (s *answers) keep(ctx context.Context, c claim, a keptAnswer) error {
	a.At = s.now().UnixMilli()
	b, err := json.Marshal(a)
	if err != nil {
		return err
	}
	return s.store.Commit(ctx, AnswersSite, store.Commit{Loose: true, Writes: []store.Record{{Kind: kindAnswer, Key: answerKey(c.seq), Value: b}}})
}

// prune drops what is older than keys are remembered, once an hour. Failing is no harm: the next hour tries again.
func (s *answers) prune(ctx context.Context) {
	now := s.now()
	if !s.pruned.Due(now) {
		return
	}
	horizon := now.Add(-store.IdempotencyWindow - time.Hour).UnixMilli()
	var old []store.RecordKey
	var upTo store.Seq
	_, err := s.store.Records(ctx, AnswersSite, kindAnswer, nil, func(_ store.Kind, key string, v []byte) error {
		var a keptAnswer
		if err := json.Unmarshal(v, &a); err != nil || a.At < horizon {
			old = append(old, store.RecordKey{Kind: kindAnswer, Key: key})
			if len(key) == 8 {
				upTo = max(upTo, store.Seq(binary.BigEndian.Uint64([]byte(key))))
			}
		}
		return nil
	})
	if err == nil && len(old) > 0 {
		err = s.store.Commit(ctx, AnswersSite, store.Commit{Loose: true, Deletes: old})
	}
	if err == nil && upTo > 0 {
		var cursor store.Seq
		if cursor, _, err = s.store.Cursor(ctx, AnswersSite); err == nil && cursor < upTo {
			err = s.store.Commit(ctx, AnswersSite, store.Commit{Expect: cursor, Next: upTo})
		}
		if err == nil {
			err = s.store.Trim(ctx, AnswersSite, store.Trim{Journal: upTo})
		}
	}
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
	claim, err := c.server.answers.claim(ctx, c.Key.Name+" "+key, Fingerprint(c.Request(), body.B), c.server.opt.LongTimeout)
	if err != nil {
		return Unavailable(err)
	}
	if claim.answer != nil {
		c.Response().Header().Set(HeaderReplayed, "true")
		for name, value := range claim.answer.Header {
			c.Response().Header().Set(name, value)
		}
		return c.Blob(claim.answer.Status, claim.answer.Type, claim.answer.Body)
	}
	c.SetRequest(withBody(c.Request(), body.B))
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

// Hourly lets something happen once an hour. The zero value lets it happen at once.
type Hourly struct {
	mu   sync.Mutex
	last time.Time
}

// Due reports whether an hour is over since it last was.
func (h *Hourly) Due(now time.Time) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if now.Sub(h.last) < time.Hour {
		return false
	}
	h.last = now
	return true
}
