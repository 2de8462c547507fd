package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"maps"
	"net/http"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/store"
	"lintel/engine/trial"
)

// The types of lines, and the names of events.
const (
	lineProgress = "progress"
	lineAlert    = "alert"
	lineResult   = "result"
	lineProblem  = "problem"
)

// TrialProgressLine says how far a trial is.
type TrialProgressLine struct {
	Type string `json:"type" jsonschema:"enum=progress"`
	trial.Progress
}

// TrialAlertLine is an alert that the rule would have raised.
type TrialAlertLine struct {
	Type  string      `json:"type" jsonschema:"enum=alert"`
	Alert trial.Alert `json:"alert"`
}

// TrialResultLine is what the trial came to.
type TrialResultLine struct {
	Type string `json:"type" jsonschema:"enum=result"`
	trial.Report
}

// TrialProblemLine says why a trial broke off, with the members of problem details.
type TrialProblemLine struct {
	Type   string   `json:"type" jsonschema:"enum=problem"`
	Title  string   `json:"title"`
	Status int      `json:"status"`
	Detail string   `json:"detail"`
	Code   kit.Code `json:"code"`
}

// trialStream writes the lines of a trial.
type trialStream struct {
	c      *kit.Call
	h      *trialRoutes
	rc     *http.ResponseController
	events bool
	buf    bytes.Buffer
}

func (s *trialStream) head(media string) {
	h := s.c.Response().Header()
	h.Set("Content-Type", media)
	h.Set("X-Accel-Buffering", "no") // a proxy that waits for more would hide the progress
	s.c.Response().WriteHeader(http.StatusOK)
}

func (s *trialStream) progress(p trial.Progress) error {
	return s.end(s.line(lineProgress, TrialProgressLine{lineProgress, p}))
}

func (s *trialStream) alert(a *event.Alert, cfg *engine.Config) error {
	if err := s.line(lineAlert, TrialAlertLine{lineAlert, trial.AlertOf(a, cfg)}); err != nil || s.buf.Len() < 64<<10 {
		return err
	}
	return s.flush()
}

// line adds one line, or one event. JSON has no line breaks.
func (s *trialStream) line(kind string, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	if s.events {
		s.buf.WriteString("event: " + kind + "\ndata: ")
	}
	s.buf.Write(b)
	s.buf.WriteByte('\n')
	if s.events {
		s.buf.WriteByte('\n')
	}
	return nil
}

// end sends what was added.
func (s *trialStream) end(err error) error {
	if err != nil {
		return err
	}
	return s.flush()
}

// flush sends what is there. A client that does not take it in time ends its trial.
func (s *trialStream) flush() error { return s.c.Flush(s.rc, &s.buf) }

// fail ends the stream with what went wrong. A client that went away is told nothing.
func (s *trialStream) fail(err error) error {
	request := s.c.Response().Header().Get(kit.HeaderRequestID)
	if errors.Is(err, context.Canceled) {
		s.h.log.Debug("the client of a trial went away", "request", request)
		return nil
	}
	if !errors.Is(err, store.ErrClosed) { // the server is shutting down, which kit.AsProblem says
		err = unavailable(err)
	}
	p := kit.AsProblem(err)
	if p.Code.Status >= http.StatusInternalServerError {
		s.h.log.Warn("a trial broke off", "request", request, "code", p.Code.Name, "err", err)
	}
	m := map[string]any{"type": lineProblem, "title": http.StatusText(p.Code.Status), "status": p.Code.Status,
		"detail": p.Detail, "code": p.Code}
	maps.Copy(m, p.Extra)
	if err := s.end(s.line(lineProblem, m)); err != nil {
		s.h.log.Debug("the client of a trial does not listen", "request", request, "err", err)
	}
	return nil
}
