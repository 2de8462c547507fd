package main

import (
	"fmt"
	"time"

	"lintel/engine/sim/measure"
)

type truthCmd struct {
	Seed   []uint64      `help:"Seeds of the simulated shops, one each." default:"101,102,103,104,105,106,107,108,109,110"`
	Length time.Duration `help:"Simulated time of each shop." default:"30m"`
	JSON   bool          `help:"Print JSON instead of a table."`
}

func (c *truthCmd) Run(s *streams) error {
	r, err := measure.Run(measure.Options{Seeds: c.Seed, Length: c.Length, Silences: true})
	if err != nil {
		return err
	}
	if !c.JSON {
		_, err = fmt.Fprintln(s.out, r)
		return err
	}
	b, err := r.JSON()
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "%s\n", b)
	return err
}
