package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"text/tabwriter"
	"time"

	"lintel/api"
	"lintel/api/client"
	"lintel/engine/passages"
	"lintel/rules/doc"
	"lintel/rules/hours"
)

type passagesCmd struct {
	doorFlags
	Since string `help:"Passages from this moment on: RFC 3339, Unix milliseconds, or how long ago, such as 8h (default: 24h). Passages whose reads the journal no longer keeps (serve --journal-keep) are left out." default:"24h" placeholder:"TIME"`
}

// Validate refuses calls that can't be meant.
func (c *passagesCmd) Validate() error {
	_, err := c.from(time.Now())
	return err
}

// from returns the moment of --since, Unix milliseconds.
func (c *passagesCmd) from(now time.Time) (int64, error) {
	if ago, err := hours.ParsePeriod(c.Since); err == nil && ago > 0 {
		return max(0, now.Add(-ago).UnixMilli()), nil
	}
	return moment("--since", c.Since)
}

func (c *passagesCmd) Run(s *streams) error {
	cl, err := c.Client()
	if err != nil {
		return refuse(s, err)
	}
	defer cl.Close()
	from, err := c.from(time.Now())
	if err != nil {
		return err
	}
	// Facts that may be later than this have no end yet.
	to := time.Now().Add(-passages.Around).UnixMilli()
	base := "/v1/sites/" + url.PathEscape(c.Site) + "/facts"
	query := url.Values{"cause": {"passed"}, "from": {strconv.FormatInt(min(from, to), 10)},
		"to": {strconv.FormatInt(to, 10)}, "limit": {"1000"}}
	written, gone := 0, 0
	for more := true; more; {
		var list api.FactList
		if err := c.get(s, cl, base+"?"+query.Encode(), &list); err != nil {
			return refuse(s, err)
		}
		for _, f := range list.Facts {
			if f.Zone != c.Door && f.From != c.Door {
				continue
			}
			var line json.RawMessage
			err := c.get(s, cl, base+"/"+url.PathEscape(f.ID)+"/passage", &line)
			var problem *client.Problem
			if errors.As(err, &problem) && problem.Code == "no_passage" {
				gone++
				continue
			} else if err != nil {
				return refuse(s, err)
			}
			if _, err := fmt.Fprintf(s.out, "%s\n", line); err != nil {
				return err
			}
			written++
		}
		query.Set("cursor", list.Next)
		more = list.Next != ""
	}
	fmt.Fprintf(s.err, "%d passages since %s", written, time.UnixMilli(from).UTC().Format(time.RFC3339))
	if gone > 0 {
		fmt.Fprintf(s.err, "; of %d more the journal no longer has the reads", gone)
	}
	fmt.Fprintln(s.err)
	return nil
}

func (c *passagesCmd) get(s *streams, cl *client.Client, path string, to any) error {
	resp, err := cl.Do(s.ctx, http.MethodGet, path, nil, nil)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	if err := json.NewDecoder(io.LimitReader(resp.Body, passages.MaxLine)).Decode(to); err != nil {
		return fmt.Errorf("the server's answer can't be read: %w", err)
	}
	return nil
}

// judgePassages compares what is concluded of the passages in a file with their labels.
func judgePassages(s *streams, name string, asJSON bool) error {
	in := s.in
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return err
		}
		defer f.Close()
		in = f
	}
	report := passages.Report{Doors: []passages.Score{}}
	file := passages.NewReader(in)
	for {
		p, err := file.Next()
		if err == io.EOF {
			break
		}
		var bad doc.Errors
		switch {
		case errors.As(err, &bad):
			fmt.Fprintf(s.err, "lintel: %s: %v\n", name, err)
			return errRefused
		case err != nil:
			return fmt.Errorf("%s: %w", name, err)
		case s.ctx.Err() != nil:
			return errors.New("interrupted")
		}
		if err := report.Judge(p); err != nil {
			return fmt.Errorf("%s: line %d: %w", name, file.Line(), err)
		}
	}
	if asJSON {
		return json.NewEncoder(s.out).Encode(report)
	}
	share := func(n, of int) string {
		if of == 0 {
			return "-"
		}
		return fmt.Sprintf("%.1f %%", 100*float64(n)/float64(of))
	}
	w := tabwriter.NewWriter(s.out, 0, 4, 2, ' ', 0)
	fmt.Fprintf(w, "SITE\tDOOR\tOUT\tNOTIFIED WITHIN %s\tRECALL\tIN OR STAYED\tNOTIFIED AS "+
		"OUT\tFALSE\tCHANGED\tUNLABELLED\n", passages.Within)
	for _, d := range report.Doors {
		fmt.Fprintf(w, "%s\t%s\t%d\t%d\t%s\t%d\t%d\t%s\t%d\t%d\n", d.Site, d.Door, d.Out, d.Found,
			share(d.Found, d.Out), d.Other, d.False, share(d.False, d.Other), d.Changed, d.Unlabelled)
	}
	return w.Flush()
}
