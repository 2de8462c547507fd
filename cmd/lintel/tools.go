package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	"lintel/api/app"
	"lintel/api/kit"
	"lintel/engine/epc"
	"lintel/engine/store"
	"lintel/engine/store/boltstore"
)

// readFile reads a file, "-": standard input. Of one that is larger than limit it returns a little more
// than that, which is then refused as too large.
func readFile(s *streams, name string, limit int64) ([]byte, error) {
	in := s.in
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		in = f
	}
	return io.ReadAll(io.LimitReader(in, limit+1))
}

type epcCmd struct {
	Value []string `arg:"" optional:"" help:"Hex, EPC tag URI, pure identity URI, GS1 element string or GS1 Digital Link URI."`
}

func (c *epcCmd) Run(s *streams) error {
	out := bufio.NewWriter(s.out)
	defer out.Flush()
	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	bad := false
	describe := func(value string) error {
		r := epc.Describe(value)
		bad = bad || r.Error != nil
		return enc.Encode(r)
	}
	for _, v := range c.Value {
		if err := describe(v); err != nil {
			return err
		}
	}
	if len(c.Value) == 0 {
		lines := bufio.NewScanner(s.in)
		for lines.Scan() {
			if v := strings.TrimSpace(lines.Text()); v != "" {
				if err := describe(v); err != nil {
					return err
				}
			}
		}
		if err := lines.Err(); err != nil {
			return fmt.Errorf("read standard input: %w", err)
		}
	}
	if bad {
		return errRefused
	}
	return nil
}

type keyCmd struct {
	Add    keyAddCmd    `cmd:"" help:"Make a key and print it, once."`
	List   keyListCmd   `cmd:"" help:"List keys."`
	Rotate keyRotateCmd `cmd:"" help:"Give a key a new text and print it, once; the one from before works on for a while."`
	Revoke keyRevokeCmd `cmd:"" help:"Revoke a key; it stops working within a second."`
}

type keyAddCmd struct {
	storeFlags
	Name  string   `arg:"" help:"Whose key it is, such as gate-controller."`
	Scope []string `help:"What it may do: reads, sales, count, view, metrics, operate, author, admin." required:""`
	Site  []string `help:"Which sites; * is all." default:"*"`
	Until string   `help:"When it ends by itself: a day such as 2027-06-30 (its end, UTC), or a moment with its time zone. Default: never." placeholder:"WHEN"`
}

// withStore opens the store for one short piece of work. Existing: it must be there already.
func withStore(s *streams, f storeFlags, existing bool, work func(ctx context.Context, st store.Store) error) error {
	st, err := app.OpenStore(s.ctx, app.Options{Data: f.Data, Redis: f.Redis, Existing: existing})
	if errors.Is(err, boltstore.ErrInUse) {
		return fmt.Errorf("%w; beside a server that runs, keys are made, listed, rotated and revoked by its interface: POST /v1/keys, GET "+
			"/v1/keys, POST /v1/keys/NAME/rotate, DELETE /v1/keys/NAME, with a key that has the scope admin", err)
	}
	if err != nil {
		return err
	}
	return errors.Join(work(s.ctx, st), st.Close())
}

func (c *keyAddCmd) Run(s *streams) error {
	until, err := c.until()
	if err != nil {
		return err
	}
	return withStore(s, c.storeFlags, false, func(ctx context.Context, st store.Store) error {
		text, err := kit.MintKeyUntil(ctx, st, c.Name, c.Scope, c.Site, until, "command line", time.Now())
		if err != nil {
			return err
		}
		return printKey(s, text)
	})
}

// until reads --until: a day ends with its last second.
func (c *keyAddCmd) until() (*time.Time, error) {
	if c.Until == "" {
		return nil, nil
	}
	if day, err := time.Parse(time.DateOnly, c.Until); err == nil {
		end := day.AddDate(0, 0, 1)
		return &end, nil
	}
	at, err := time.Parse(time.RFC3339, c.Until)
	if err != nil {
		return nil, fmt.Errorf("--until %q is no day and no moment: write it like 2027-06-30 or 2027-06-30T18:00:00Z", c.Until)
	}
	at = at.UTC()
	return &at, nil
}

func printKey(s *streams, text string) error {
	_, err := fmt.Fprintln(s.out, text)
	fmt.Fprintln(s.err, "Keep it now: only its hash is stored.")
	return err
}

type keyRotateCmd struct {
	storeFlags
	Name    string        `arg:"" help:"The key's name."`
	Overlap time.Duration `help:"How long the text from before works beside the new one, 0s to 90d." default:"24h"`
}

func (c *keyRotateCmd) Run(s *streams) error {
	return withStore(s, c.storeFlags, true, func(ctx context.Context, st store.Store) error {
		text, _, err := kit.RotateKey(ctx, st, c.Name, c.Overlap, "command line", time.Now())
		if err != nil {
			return err
		}
		return printKey(s, text)
	})
}

type keyListCmd struct{ storeFlags }

func (c *keyListCmd) Run(s *streams) error {
	return withStore(s, c.storeFlags, true, func(ctx context.Context, st store.Store) error {
		keys, err := kit.ListKeys(ctx, st)
		if err != nil {
			return err
		}
		w := tabwriter.NewWriter(s.out, 0, 4, 2, ' ', 0)
		fmt.Fprintln(w, "NAME\tSCOPES\tSITES\tMADE\tENDS\tREVOKED")
		for _, k := range keys {
			revoked := ""
			if k.Disabled != nil {
				revoked = k.Disabled.Format(time.DateTime)
			}
			ends := ""
			if k.Until != nil {
				ends = k.Until.Format(time.DateTime)
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\n", k.Name, strings.Join(k.Scopes, ","), strings.Join(k.Sites, ","),
				k.Created.Format(time.DateTime), ends, revoked)
		}
		return w.Flush()
	})
}

type keyRevokeCmd struct {
	storeFlags
	Name string `arg:"" help:"The key's name."`
}

func (c *keyRevokeCmd) Run(s *streams) error {
	return withStore(s, c.storeFlags, true, func(ctx context.Context, st store.Store) error {
		return kit.RevokeKey(ctx, st, c.Name, "command line", time.Now())
	})
}
