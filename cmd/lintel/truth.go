package main

import (
	"errors"
	"fmt"
	"time"

	"lintel/engine/sim/doors"
	"lintel/engine/sim/measure"
)

type truthCmd struct {
	Regime []string      `help:"Regimes to play; all that are not held out, if none is named."`
	Held   bool          `help:"Play the regimes that are held out as well."`
	Seed   []uint64      `help:"Seeds of the simulated shops, one each in every regime." default:"101,102"`
	Length time.Duration `help:"Simulated time of each shop, after its warm-up." default:"12m"`
	JSON   bool          `help:"Print JSON instead of tables."`

	Passages string `help:"Judge the labelled passages of a file again instead, as lintel passages writes it; - reads standard input." placeholder:"FILE"`
}

// Validate refuses calls that can't be meant.
func (c *truthCmd) Validate() error {
	if c.Passages != "" && (len(c.Regime) > 0 || c.Held) {
		return errors.New("--passages goes without --regime and --held: it plays no simulated shop")
	}
	return nil
}

func (c *truthCmd) Run(s *streams) error {
	if c.Passages != "" {
		return judgePassages(s, c.Passages, c.JSON)
	}
	o := measure.Options{Seeds: c.Seed, Length: c.Length}
	var names []string
	for _, r := range doors.Regimes() {
		names = append(names, r.Name)
		if len(c.Regime) == 0 && (c.Held || !r.Held) {
			o.Regimes = append(o.Regimes, r)
		}
	}
	for _, name := range c.Regime {
		r, ok := doors.RegimeByName(name)
		if !ok {
			return fmt.Errorf("--regime: there is no regime %q: take one of %v", name, names)
		}
		o.Regimes = append(o.Regimes, r)
	}
	r, err := measure.Run(o)
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
