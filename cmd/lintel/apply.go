package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/mattn/go-isatty"

	"lintel/api/client"
	"lintel/api/client/folder"
)

// errWouldChange says that a dry run found something to do: exit code 4.
var errWouldChange = errors.New("there is something to change")

type exportCmd struct {
	client.Flags
	Dir   string `arg:"" help:"Directory to write to; it is made if it is not there."`
	Force bool   `help:"Write over files that were changed since they were exported, too."`
}

func (c *exportCmd) Run(s *streams) error {
	cl, err := c.Client()
	if err != nil {
		return refuse(s, err)
	}
	defer cl.Close()
	done, err := folder.Export(s.ctx, cl, c.Dir, c.Force)
	if err != nil {
		return refuse(s, err)
	}
	for _, e := range done {
		what := "as it was"
		if e.Written {
			what = "written"
		}
		fmt.Fprintf(s.out, "%s: version %d, %s\n", e.Path, e.Version, what)
	}
	if len(done) == 0 {
		fmt.Fprintln(s.out, "The server has no configuration yet.")
	}
	return nil
}

type applyCmd struct {
	client.Flags
	Dir          string `arg:"" help:"Directory with rules.yaml, channels.json, products.csv, sites/SITE/layout.json; any of them may be missing; what is missing stays as it is on the server."`
	DryRun       bool   `help:"Show the plan and stop. Exit code 0: nothing would change; 4: something would; 1: something is wrong."`
	Yes          bool   `help:"Ask nothing." short:"y"`
	Note         string `help:"Why, kept with each new version; at most 200 characters." default:"lintel apply" placeholder:"TEXT"`
	AllowRemoval bool   `help:"Take away more than half of the products or rules that the server has."`

	Full bool `help:"Show differences whole, however long."`
}

func (c *applyCmd) Run(s *streams) error {
	files, err := folder.Read(c.Dir, os.LookupEnv)
	if err != nil {
		return refuse(s, err)
	}
	cl, err := c.Client()
	if err != nil {
		return refuse(s, err)
	}
	defer cl.Close()
	plan, err := folder.Plan(s.ctx, cl, files)
	if err != nil {
		return refuse(s, err)
	}
	plan.Show(s.out, c.Dir, c.Full)
	switch {
	case !plan.OK:
		fmt.Fprintln(s.err, "lintel: there are errors, so nothing can be applied")
		return errRefused
	case plan.ToStore == 0:
		fmt.Fprintln(s.out, "Everything is as it should be.")
		return nil
	case c.DryRun:
		return errWouldChange
	case !c.Yes:
		if err := confirm(s); err != nil {
			return err
		}
	}
	done, err := folder.Apply(s.ctx, cl, plan, c.Note, c.AllowRemoval)
	switch {
	case client.IsCode(err, "version_mismatch"):
		fmt.Fprintln(s.err, "lintel: the server's configuration changed since the plan was made; nothing was "+
			"applied. Export what is there now, or apply again")
		return errRefused
	case client.IsCode(err, "removal"):
		fmt.Fprintln(s.err, "lintel: more than half of the products or rules would go, as shown above; nothing was applied. If it is meant, "+
			"say --allow-removal")
		return errRefused
	case err != nil:
		return refuse(s, err)
	}
	effect := "Every site goes by it."
	if !done.InEffect {
		effect = "Sites take it up in a moment."
	}
	fmt.Fprintf(s.out, "Applied: %d documents have a new version. %s\n", done.Stored, effect)
	return nil
}

// confirm asks whoever sits at the terminal. Where nobody does, it takes --yes.
func confirm(s *streams) error {
	if in, ok := s.in.(*os.File); !ok || !isatty.IsTerminal(in.Fd()) {
		fmt.Fprintln(s.err, "lintel: nothing was applied: there is no terminal to ask at; say --yes to apply without a question")
		return errRefused
	}
	fmt.Fprint(s.out, "Apply? [y/N] ")
	answer, err := bufio.NewReader(s.in).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	switch strings.ToLower(strings.TrimSpace(answer)) {
	case "y", "yes":
		return nil
	}
	fmt.Fprintln(s.out, "Nothing was applied.")
	return errRefused
}

// refuse tells what was wrong with what was asked for (exit code 1) from a failure of the system,
// which it passes on.
func refuse(s *streams, err error) error {
	var faults folder.Faults
	var p *client.Problem
	switch {
	case errors.As(err, &faults):
		for _, f := range faults {
			fmt.Fprintln(s.err, f)
		}
		return errRefused
	case errors.As(err, &p) && p.Status < 500:
		fmt.Fprintln(s.err, "lintel:", err)
		return errRefused
	}
	return err
}
