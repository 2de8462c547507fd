package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"lintel/api/client"
	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/event"
	"lintel/engine/trial"
	"lintel/rules"
)

type trialCmd struct {
	client.Flags
	File   string `arg:"" optional:"" help:"Rules file; - reads standard input. Left out: the rule is the saved one of the server."`
	Rule   string `help:"Name of the rule to try. It can be left out if the file has just one." placeholder:"NAME"`
	Site   string `help:"Site whose facts are tried. A key for one site need not name it." placeholder:"SITE"`
	From   string `help:"Count from this moment on: RFC 3339, or Unix milliseconds. Default: 7 days before --to; of a file: its first fact." placeholder:"TIME"`
	To     string `help:"And before this moment. Default: now; of a file: after its last fact." placeholder:"TIME"`
	Alerts int    `help:"How many alerts to show in words, at most." default:"10"`
	JSON   bool   `help:"Print the result as one JSON object, with the alerts."`

	Facts    string `help:"Try on a file of facts instead of a server: what GET /v1/sites/SITE/facts.jsonl gives, plain or gzip; - reads standard input." placeholder:"FILE"`
	Layout   string `help:"With --facts: the site's layout, as JSON." placeholder:"FILE"`
	Products string `help:"With --facts: the products, as CSV or JSON." placeholder:"FILE"`
	Live     string `help:"With --facts: rules file with the rule as it is live, to compare with." placeholder:"FILE"`
}

// Validate refuses calls that can't be meant.
func (c *trialCmd) Validate() error {
	switch {
	case c.Facts != "" && (c.File == "" || c.Layout == ""):
		return errors.New("--facts goes with a rules file and --layout")
	case c.Facts == "" && (c.Layout != "" || c.Products != "" || c.Live != ""):
		return errors.New("--layout, --products and --live go with --facts: a server has its own")
	case c.File == "" && c.Rule == "":
		return errors.New("give a rules file, or --rule with the name of a saved rule")
	case c.Facts == "-" && c.File == "-":
		return errors.New("standard input can't be both the rules and the facts")
	case c.Alerts < 0 || c.Alerts > 1000:
		return errors.New("--alerts goes from 0 to 1000")
	}
	from, err := moment("--from", c.From)
	if err != nil {
		return err
	}
	to, err := moment("--to", c.To)
	if err == nil && from != 0 && to != 0 && from > to {
		err = errors.New("--from is after --to")
	}
	return err
}

// moment reads a time as Unix milliseconds, 0 if there is none.
func moment(flag, text string) (int64, error) {
	if text == "" {
		return 0, nil
	}
	if ms, err := strconv.ParseInt(text, 10, 64); err == nil && ms > 0 && ms < 1e15 {
		return ms, nil
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil || t.UnixMilli() <= 0 {
		return 0, fmt.Errorf("%s: %q is no RFC 3339 time such as 2026-11-25T09:14:07Z", flag, text)
	}
	return t.UnixMilli(), nil
}

func (c *trialCmd) Run(s *streams) error {
	var text []byte
	var tried *trial.Version
	if c.File != "" {
		var err error
		if text, err = readFile(s, c.File, rules.MaxDocument); err != nil {
			return err
		}
	}
	site := c.Site
	var config *engine.Config
	if c.Facts != "" {
		var err error
		if config, err = c.config(s); err != nil {
			return err
		}
		if site == "" {
			site = config.Layout.Site
		}
	}
	if text != nil {
		var err error
		if tried, err = pick(s, c.File, text, site, c.Rule); err != nil {
			return err
		}
	}
	p := &progressLine{w: s.err, terminal: isTerminal(s.err)}
	var rep *trial.Report
	var alerts []trial.Alert
	var err error
	if c.Facts != "" {
		rep, alerts, err = c.onFile(s, config, site, tried, p)
	} else {
		rep, alerts, err = c.onServer(s.ctx, text, tried, p)
	}
	p.clear()
	if s.ctx.Err() != nil {
		return errors.New("interrupted")
	}
	if err != nil {
		return refusal(s, err)
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(struct {
			*trial.Report
			Alerts []trial.Alert `json:"alerts"`
		}{rep, alerts})
	}
	return rep.WriteText(s.out, alerts)
}

// refusal prints what is wrong with what was asked for; everything else is a failure of the system.
func refusal(s *streams, err error) error {
	var problem *client.Problem
	var fact *trial.FactError
	if errors.As(err, &fact) {
		fmt.Fprintln(s.err, "lintel:", err)
		return errRefused
	}
	if errors.As(err, &problem) {
		var found []rules.Diagnostic
		problem.Extension("errors", &found)
		for _, d := range found {
			fmt.Fprintln(s.out, d)
		}
	}
	return refuse(s, err)
}

// pick takes the rule out of a document, or prints why it can't.
func pick(s *streams, file string, text []byte, site, name string) (*trial.Version, error) {
	v, found, err := trial.Pick(file, text, rules.Known{Site: site}, name)
	for _, d := range found {
		if v == nil && err == nil {
			fmt.Fprintln(s.out, d)
		}
	}
	switch {
	case err != nil:
		fmt.Fprintf(s.err, "lintel: %s: %v\n", file, err)
		return nil, errRefused
	case v == nil:
		return nil, errRefused
	}
	return v, nil
}

// config reads the documents that go with a facts file.
func (c *trialCmd) config(s *streams) (*engine.Config, error) {
	lay, err := readLayout(s, c.Layout)
	if err != nil {
		return nil, err
	}
	products := &catalog.Catalog{}
	if c.Products != "" {
		if products, err = readProducts(s, c.Products); err != nil {
			return nil, err
		}
	}
	return &engine.Config{Layout: lay, Catalog: products}, nil
}

// onFile tries a rule on a file of facts.
func (c *trialCmd) onFile(s *streams, config *engine.Config, site string, tried *trial.Version,
	line *progressLine) (*trial.Report, []trial.Alert, error) {
	plan := trial.Plan{Site: site, Config: config, Tried: tried}
	plan.From, _ = moment("", c.From) // Validate has read them
	plan.To, _ = moment("", c.To)
	if c.Live != "" {
		text, err := readFile(s, c.Live, rules.MaxDocument)
		if err != nil {
			return nil, nil, err
		}
		if plan.Live, err = pick(s, c.Live, text, site, tried.Rule.Name); err != nil {
			return nil, nil, err
		}
	}
	in, size := s.in, int64(0)
	if c.Facts != "-" {
		f, err := os.Open(c.Facts)
		if err != nil {
			return nil, nil, err
		}
		defer f.Close()
		if info, err := f.Stat(); err == nil {
			size = info.Size()
		}
		in = f
	}
	read := &countingReader{r: in}
	facts, err := trial.NewFactReader(read)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", c.Facts, err)
	}
	plan.Progress = func(p trial.Progress) error {
		if size > 0 {
			p.Share = min(1, float64(read.n.Load())/float64(size)) // the file says better than the time
		}
		line.show(p)
		return nil
	}
	alerts := []trial.Alert{}
	plan.Opened = func(a *event.Alert) error {
		if len(alerts) < c.Alerts {
			alerts = append(alerts, trial.AlertOf(a, config))
		}
		return nil
	}
	rep, err := trial.Run(s.ctx, plan, trial.Ahead(facts.Facts()))
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", c.Facts, err)
	}
	return rep, alerts, nil
}

// onServer lets a server try a rule.
func (c *trialCmd) onServer(ctx context.Context, text []byte, tried *trial.Version, line *progressLine) (*trial.Report,
	[]trial.Alert, error) {
	server, err := c.Client()
	if err != nil {
		return nil, nil, err
	}
	defer server.Close()
	name := c.Rule
	if tried != nil {
		name = tried.Rule.Name
	}
	query := url.Values{"alerts": {strconv.Itoa(c.Alerts)}}
	for key, value := range map[string]string{"site": c.Site, "from": c.From, "to": c.To} {
		if value != "" {
			query.Set(key, value)
		}
	}
	header := http.Header{"Accept": {"application/x-ndjson"}}
	var body io.Reader
	if text != nil {
		header.Set("Content-Type", "application/yaml")
		body = bytes.NewReader(text)
	}
	resp, err := server.Do(ctx, http.MethodPost, "/v1/rules/"+url.PathEscape(name)+"/trial?"+query.Encode(), header, body)
	if err != nil {
		return nil, nil, err
	}
	defer resp.Body.Close()
	alerts := []trial.Alert{}
	lines := json.NewDecoder(resp.Body)
	for {
		var raw json.RawMessage
		if err := lines.Decode(&raw); err != nil {
			return nil, nil, fmt.Errorf("the answer of the server broke off before its result: %w", err)
		}
		var kind struct {
			Type   string       `json:"type"`
			Alert  *trial.Alert `json:"alert"`
			Status int          `json:"status"`
			Detail string       `json:"detail"`
			Code   string       `json:"code"`
		}
		if err := json.Unmarshal(raw, &kind); err != nil {
			return nil, nil, fmt.Errorf("the answer of the server can't be read: %w", err)
		}
		switch kind.Type {
		case "progress":
			var p trial.Progress
			if err := json.Unmarshal(raw, &p); err == nil {
				line.show(p)
			}
		case "alert":
			if kind.Alert != nil {
				alerts = append(alerts, *kind.Alert)
			}
		case "problem":
			return nil, nil, &client.Problem{Status: kind.Status, Detail: kind.Detail, Code: kind.Code}
		case "result":
			var rep trial.Report
			if err := json.Unmarshal(raw, &rep); err != nil {
				return nil, nil, fmt.Errorf("the result of the server can't be read: %w", err)
			}
			return &rep, alerts, nil
		}
	}
}

// countingReader counts what was read, for another goroutine to see.
type countingReader struct {
	r io.Reader
	n atomic.Int64
}

func (c *countingReader) Read(b []byte) (int, error) {
	n, err := c.r.Read(b)
	c.n.Add(int64(n))
	return n, err
}

// progressLine is a line of a terminal that is written again and again. Without a terminal it
// writes nothing.
type progressLine struct {
	w        io.Writer
	terminal bool
	width    int
}

func (p *progressLine) show(pr trial.Progress) {
	if !p.terminal {
		return
	}
	text := pr.Text()
	fmt.Fprintf(p.w, "\r%s%s", text, strings.Repeat(" ", max(0, p.width-len(text))))
	p.width = len(text)
}

func (p *progressLine) clear() {
	if p.width > 0 {
		fmt.Fprintf(p.w, "\r%s\r", strings.Repeat(" ", p.width))
	}
}
