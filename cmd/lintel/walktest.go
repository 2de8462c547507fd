package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"time"

	"lintel/api"
	"lintel/api/client"
	"lintel/engine/walktest"
)

// doorFlags say which door of which server is meant.
type doorFlags struct {
	client.Flags
	Site string `help:"Site of the door." required:"" placeholder:"SITE"`
	Door string `help:"Zone of the door." required:"" placeholder:"ZONE"`
}

type walkTestCmd struct {
	doorFlags
	Tag    []string      `help:"A tag that you carry, in any form of its identity; repeat the flag for each tag." required:"" placeholder:"EPC" sep:"none"`
	Out    int           `help:"How often to walk out." default:"5"`
	In     int           `help:"How often to walk in." default:"5"`
	Along  int           `help:"How often to walk along the door, inside." default:"2"`
	Still  int           `help:"How often to leave the tags where goods lie, near the door." default:"1"`
	Settle time.Duration `help:"How long to wait after the last walk for what the readers still report." default:"3s"`
	Store  bool          `help:"Store what is proposed as the next version of the site's layout."`
	JSON   bool          `name:"json" help:"Print the answer as one JSON object; the steps go to standard error."`
}

// Validate refuses calls that can't be meant.
func (c *walkTestCmd) Validate() error {
	for _, n := range []int{c.Out, c.In, c.Along, c.Still} {
		if n < 0 {
			return errors.New("a number of walks is below zero")
		}
	}
	switch n := c.Out + c.In + c.Along + c.Still; {
	case n < 1 || n > walktest.MaxWalks:
		return fmt.Errorf("there are %d walks; make it 1 to %d", n, walktest.MaxWalks)
	case len(c.Tag) > walktest.MaxTags:
		return fmt.Errorf("there are %d tags; carry at most %d", len(c.Tag), walktest.MaxTags)
	case c.Settle < 0 || c.Settle > time.Minute:
		return errors.New("--settle goes from 0s to 1m")
	}
	return nil
}

// steps are what to say for each kind of walk: before it begins, and how it ends.
var steps = map[string][2]string{
	walktest.Out: {"Stand well inside with the tags. Press Enter and walk out.", "Press Enter once you are well past the door."},
	walktest.In:  {"Stand well outside with the tags. Press Enter and walk in.", "Press Enter once you are well inside."},
	walktest.Along: {"Stand inside, beside the door. Press Enter and walk past it without going through.",
		"Press Enter once you are well away."},
	walktest.Still: {"Leave the tags where goods lie nearest to the door. Press Enter and keep away.",
		"Press Enter after ten seconds or more."},
}

func (c *walkTestCmd) Run(s *streams) error {
	cl, err := c.Client()
	if err != nil {
		return refuse(s, err)
	}
	defer cl.Close()
	say := s.out
	if c.JSON {
		say = s.err
	}
	walks, err := c.walk(bufio.NewReader(s.in), say)
	if errors.Is(err, io.EOF) {
		fmt.Fprintln(s.err, "lintel: the input ended before the walks did; nothing was asked")
		return errRefused
	} else if err != nil {
		return err
	}
	fmt.Fprintln(say, "Waiting for the readers' last reports.")
	select {
	case <-s.ctx.Done():
		return errors.New("interrupted")
	case <-time.After(c.Settle):
	}
	body, err := json.Marshal(api.WalkTestRequest{Tags: c.Tag, Walks: walks, Store: c.Store})
	if err != nil {
		return err
	}
	path := "/v1/sites/" + url.PathEscape(c.Site) + "/doors/" + url.PathEscape(c.Door) + "/walktest?note=" +
		url.QueryEscape("lintel walk-test")
	resp, err := cl.Do(s.ctx, http.MethodPost, path, http.Header{"Content-Type": {"application/json"}}, bytes.NewReader(body))
	if err != nil {
		return refuse(s, err)
	}
	defer resp.Body.Close()
	const most = 64 << 20
	text, err := io.ReadAll(io.LimitReader(resp.Body, most))
	if err != nil {
		return err
	}
	if c.JSON {
		_, err = fmt.Fprintf(s.out, "%s\n", bytes.TrimSpace(text))
		return err
	}
	var answer api.WalkTestAnswer
	if err := json.Unmarshal(text, &answer); err != nil {
		return fmt.Errorf("the server's answer can't be read: %w", err)
	}
	printWalkTest(s.out, &answer)
	return nil
}

// walk asks for each walk and notes when it began and ended.
func (c *walkTestCmd) walk(in *bufio.Reader, say io.Writer) ([]api.WalkRequest, error) {
	var walks []api.WalkRequest
	all := c.Out + c.In + c.Along + c.Still
	var last time.Time
	enter := func() (time.Time, error) {
		if _, err := in.ReadString('\n'); err != nil {
			return time.Time{}, err
		}
		now := time.Now().UTC().Truncate(time.Millisecond)
		if !now.After(last) {
			now = last.Add(time.Millisecond)
		}
		last = now
		return now, nil
	}
	done := map[string]int{}
	for len(walks) < all {
		// Out and in take turns, since whoever went out comes back.
		for _, k := range []struct {
			what string
			n    int
		}{{walktest.Out, c.Out}, {walktest.In, c.In}, {walktest.Along, c.Along}, {walktest.Still, c.Still}} {
			through := done[walktest.Out] >= c.Out && done[walktest.In] >= c.In
			if done[k.what] >= k.n || !through && (k.what == walktest.Along || k.what == walktest.Still) {
				continue
			}
			done[k.what]++
			fmt.Fprintf(say, "%d of %d, %s: %s\n", len(walks)+1, all, k.what, steps[k.what][0])
			from, err := enter()
			if err != nil {
				return nil, err
			}
			fmt.Fprintln(say, "  "+steps[k.what][1])
			to, err := enter()
			if err != nil {
				return nil, err
			}
			walks = append(walks, api.WalkRequest{From: from, To: to, What: k.what})
		}
	}
	return walks, nil
}

// printWalkTest prints an answer for people.
func printWalkTest(w io.Writer, a *api.WalkTestAnswer) {
	fmt.Fprintf(w, "\n%s: %d of %d passages were heard at least 3 times\n", a.Door, a.Heard, a.Passages)
	if a.Rhythm != nil {
		fmt.Fprintf(w, "  the readers report every %.0f ms\n", *a.Rhythm*1000)
	}
	if a.Parts != nil {
		fmt.Fprintf(w, "  the sides part by %.1f dB\n", *a.Parts)
	}
	for _, walk := range a.Walks {
		for _, t := range walk.Tags {
			fmt.Fprintf(w, "  %s %-5s %s:", walk.From.Local().Format(time.TimeOnly), walk.What, t.Tag)
			for _, side := range []struct {
				name  string
				heard *walktest.SideHeard
			}{{"inner", t.Inner}, {"outer", t.Outer}, {"both", t.Both}} {
				if side.heard == nil {
					continue
				}
				fmt.Fprintf(w, " %s %d", side.name, side.heard.Reads)
				if side.heard.Peak != nil {
					fmt.Fprintf(w, " (%.1f dBm)", *side.heard.Peak)
				}
			}
			if t.Inner == nil && t.Outer == nil && t.Both == nil {
				fmt.Fprint(w, " nothing")
			}
			if t.LongestGap != nil {
				fmt.Fprintf(w, ", longest gap %.0f ms", *t.LongestGap*1000)
			}
			fmt.Fprintln(w)
		}
	}
	if a.Nearby > 0 {
		fmt.Fprintf(w, "  other tags heard meanwhile: %d\n", a.Nearby)
	}
	for _, o := range a.Others[:min(len(a.Others), 5)] {
		fmt.Fprintf(w, "    %s: %d reads", o.Tag, o.Reads)
		if o.Peak != nil {
			fmt.Fprintf(w, ", up to %.1f dBm", *o.Peak)
		}
		fmt.Fprintln(w)
	}
	p := a.Proposal
	if p.MinRSSI != nil {
		fmt.Fprintf(w, "proposed: min_rssi %v for the door's read points\n", *p.MinRSSI)
	}
	if p.SureWithin != "" {
		fmt.Fprintf(w, "proposed: sure_within %q for the zone\n", p.SureWithin)
	}
	if p.Power != "" {
		fmt.Fprintf(w, "proposed: %s the power of the door's reader\n", p.Power)
	}
	for _, r := range a.Remarks {
		fmt.Fprintf(w, "note: %s\n", r)
	}
	if a.Stored != nil {
		fmt.Fprintf(w, "stored: the layout has version %d\n", a.Stored.Version)
		for _, f := range a.Stored.Warnings {
			fmt.Fprintf(w, "warning: %s\n", f)
		}
	}
}
