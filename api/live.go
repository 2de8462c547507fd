package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strconv"
	"time"

	"lintel/api/kit"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/store"
)

var (
	codeTooManyStreams = kit.Code{Name: "too_many_streams", Status: 503, Meaning: "The server has as many live streams as it takes."}
)

// liveRoutes are the routes that stream what happens.
type liveRoutes struct {
	*backend
	streams chan struct{} // one token for each stream
}

func (h *liveRoutes) table() []kit.Route {
	return []kit.Route{
		{
			Method: "GET", Path: "/v1/sites/{site}/live", Name: "live", Group: "Questions", Summary: "Follow a site as it happens",
			About: "Server-sent events: \"fact\" with the fact's id, \"alert\" for each change of an alert, " +
				"\"gap\" if more was missed than a stream gives again, \"end\" before the server closes. " +
				"Last-Event-ID resumes from the stored facts. A client that does not keep up is dropped and resumes by itself.",
			Scopes: operate, Stream: true,
			Params: []kit.Param{kit.Header(headerLastID, "Id of the last fact that the client has."),
				kit.Query("after", "The same, for clients that can't set headers.")},
			Answers: []kit.Answer{kit.Reply(200, "The stream.", kit.As(mediaEvents, nil))},
			Codes:   []kit.Code{codeTooManyStreams}, Handle: h.liveStream,
		},
	}
}

// Live streams.
const (
	liveBuffer    = 1024             // batches that wait for a client
	liveBeat      = 15 * time.Second // a comment, so that whatever is between keeps the connection
	liveKey       = 2 * time.Second  // how often it is asked whether the key still holds
	liveCatchUp   = 20_000           // stored facts that a client that comes back is given
	headerLastID  = "Last-Event-ID"
	mediaEvents   = "text/event-stream"
	eventFact     = "fact"
	eventAlert    = "alert"
	eventTooLate  = "gap"
	eventGoodbye  = "end"
	commentBeat   = ": beat\n\n"
	commentHello  = ": hello\n\n"
	retryInterval = "retry: 2000\n\n"
)

// live streams facts and alert changes as server-sent events (WHATWG HTML, section 9.2). The id of
// an event is that of its fact, so a client that comes back with Last-Event-ID is given what it
// missed from the stored facts. Alerts have no id of their own: whoever comes back asks /v1/alerts
// first.
func (h *liveRoutes) liveStream(c *kit.Call) error {
	after, resume, err := lastEventID(c)
	if err != nil {
		return err
	}
	site, err := h.runner.Site(c.Ctx(), c.Site)
	if err != nil {
		return unavailable(err)
	}
	select {
	case h.streams <- struct{}{}:
	default:
		return kit.Problemf(codeTooManyStreams, "The server has %d live streams, and takes no more.",
			h.opt.LiveLimit).With("limit", h.opt.LiveLimit)
	}
	h.metrics.streams.Inc()
	defer func() {
		<-h.streams
		h.metrics.streams.Dec()
	}()
	// Listen first and read what is stored then: nothing falls between.
	sub := site.Subscribe(liveBuffer)
	defer sub.Close()
	head := c.Response().Header()
	head.Set("Content-Type", mediaEvents)
	head.Set("X-Accel-Buffering", "no")
	c.Response().WriteHeader(http.StatusOK)
	s := &stream{c: c, h: h, rc: http.NewResponseController(c.Response()), sub: sub, last: after}
	if err := s.run(resume); err != nil && !errors.Is(err, context.Canceled) {
		h.log.Debug("a live stream ended", "request", head.Get(kit.HeaderRequestID), "err", err)
	}
	return nil
}

// lastEventID reads where a client that comes back left off; the parameter "after" is for clients
// that can't set the header.
func lastEventID(c *kit.Call) (id store.FactID, ok bool, err error) {
	text := c.Request().Header.Get(headerLastID)
	if text == "" {
		text = c.QueryParam("after")
	}
	if text == "" {
		return id, false, nil
	}
	if id, ok = parseFactID(text); !ok {
		return id, false, kit.Problemf(kit.CodeInvalidParameter, "The %s %s is no id of a fact.", headerLastID, kit.Shown([]byte(text)))
	}
	return id, true, nil
}

// stream is one client that listens.
type stream struct {
	c    *kit.Call
	h    *liveRoutes
	rc   *http.ResponseController
	sub  *runner.Subscription
	last store.FactID // the newest fact that was sent
	buf  bytes.Buffer
}

func (s *stream) run(resume bool) error {
	ctx := s.c.Ctx()
	s.buf.WriteString(retryInterval + commentHello)
	if err := s.flush(); err != nil {
		return err
	}
	if resume {
		if err := s.catchUp(ctx); err != nil {
			return err
		}
	}
	beat, key := time.NewTicker(liveBeat), time.NewTicker(liveKey)
	defer beat.Stop()
	defer key.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-s.h.closing:
			s.event(eventGoodbye, "", map[string]string{"reason": "the server is shutting down"})
			return s.flush()
		case <-key.C:
			if err := s.c.KeyHolds(); err != nil {
				s.event(eventGoodbye, "", map[string]string{"reason": kit.AsProblem(err).Detail})
				return s.flush()
			}
			continue
		case <-beat.C:
			s.buf.WriteString(commentBeat)
		case b := <-s.sub.C:
			s.batch(&b)
			for more := true; more; {
				select {
				case b := <-s.sub.C:
					s.batch(&b)
				default:
					more = false
				}
			}
		}
		if s.sub.Lost() {
			// Batches were missed. The client comes back and is given the facts from the store.
			s.h.metrics.dropped.Inc()
			s.event(eventGoodbye, "", map[string]string{"reason": "this client does not keep up"})
			return s.flush()
		}
		if err := s.flush(); err != nil {
			return err
		}
	}
}

func (s *stream) batch(b *runner.Batch) {
	for i := range b.Facts {
		s.fact(&b.Facts[i])
	}
	for i := range b.Alerts {
		s.event(eventAlert, "", AlertChangeView{Change: b.Alerts[i].Type, Alert: b.Alerts[i].Alert.View(b.Site)})
	}
}

func (s *stream) fact(f *event.Fact) {
	id := store.FactID{Ms: f.Ms, N: f.N}
	if id.Compare(s.last) <= 0 {
		return // it was among the stored ones
	}
	s.last = id
	s.event(eventFact, f.ID(), factView(f))
}

// catchUp sends the stored facts after the last one that the client had.
func (s *stream) catchUp(ctx context.Context) error {
	from := store.FactID{Ms: s.last.Ms, N: s.last.N + 1}
	if s.last.N == 1<<32-1 {
		from = store.FactID{Ms: s.last.Ms + 1}
	}
	n := 0
	err := s.h.eachFact(ctx, s.c.Site, from, store.FactID{}, liveCatchUp+1, func(_ store.FactID, f *event.Fact) error {
		if n++; n > liveCatchUp {
			// It was away too long for a stream: it is told so, and goes on from now.
			s.event(eventTooLate, "", map[string]string{"after": strconv.FormatInt(s.last.Ms, 10) + "-" +
				strconv.FormatUint(uint64(s.last.N), 10),
				"reason": "more facts are stored than a stream gives again; ask for facts"})
			return errEnough
		}
		s.fact(f)
		if s.buf.Len() > 64<<10 {
			return s.flush()
		}
		return nil
	})
	if err != nil {
		return err
	}
	return s.flush()
}

// event writes one event. JSON has no line breaks, so that it is one line of data.
func (s *stream) event(name, id string, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		return
	}
	s.buf.WriteString("event: " + name + "\n")
	if id != "" {
		s.buf.WriteString("id: " + id + "\n")
	}
	s.buf.WriteString("data: ")
	s.buf.Write(b)
	s.buf.WriteString("\n\n")
}

// flush sends what is written. A client that does not take it in time is dropped.
func (s *stream) flush() error { return s.c.Flush(s.rc, &s.buf) }
