package main

import (
	"os"
	"time"

	"github.com/mattn/go-isatty"

	"lintel/api/demo"
)

type demoCmd struct {
	Seed    uint64        `help:"Seed of the random numbers; equal seeds play the same day." default:"1"`
	Speed   float64       `help:"Simulated seconds in a real one." default:"20"`
	Length  time.Duration `help:"Simulated time." default:"40m"`
	Keep    string        `help:"Keep the data in this directory instead of a temporary one." type:"path" placeholder:"DIR"`
	Listen  string        `help:"Where the API listens." default:"127.0.0.1:0"`
	Stay    *bool         `help:"Answer on after the end, until Ctrl-C. Default: if a person reads the output." negatable:""`
	Verbose bool          `help:"Show sales too, and what the server logs." short:"v"`
}

func (c *demoCmd) Run(s *streams) error {
	stay := isTerminal(s.out)
	if c.Stay != nil {
		stay = *c.Stay
	}
	return demo.Run(s.ctx, demo.Options{
		Seed: c.Seed, Speed: c.Speed, Length: c.Length, Out: s.out, Keep: c.Keep, Listen: c.Listen, Stay: stay, Verbose: c.Verbose,
		Color: isTerminal(s.out) && os.Getenv("NO_COLOR") == "",
	})
}

// isTerminal reports whether output goes to a person.
func isTerminal(w any) bool {
	f, ok := w.(*os.File)
	return ok && isatty.IsTerminal(f.Fd())
}
