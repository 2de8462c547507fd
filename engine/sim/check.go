package sim

import (
	"fmt"
	"time"
)

// check refuses values that would stop the simulation or mean nothing.
func (c *Config) check() error {
	r, n, p := &c.Radio, &c.Network, &c.People
	for _, d := range []struct {
		name  string
		value time.Duration
	}{
		{"Radio.FixedCycle", r.FixedCycle}, {"Radio.PortalCycle", r.PortalCycle}, {"Radio.DeskCycle", r.DeskCycle},
		{"Radio.HandheldCycle", r.HandheldCycle}, {"Radio.PortalReport", r.PortalReport},
	} {
		if !r.Off && (d.value < tickMs*time.Millisecond || d.value%(tickMs*time.Millisecond) != 0) {
			return fmt.Errorf("sim: %s is %s: it must be a multiple of %d ms; begin with DefaultRadio", d.name, d.value, tickMs)
		}
	}
	for _, x := range []struct {
		name  string
		value float64
	}{
		{"Radio.MissMin", r.MissMin}, {"Radio.MissMax", r.MissMax}, {"Network.LateShare", n.LateShare}, {"People.PickChance", p.PickChance},
		{"People.PutBackChance", p.PutBackChance}, {"People.WrongPlaceChance", p.WrongPlaceChance}, {"People.BuyChance", p.BuyChance},
		{"People.WalkOutChance", p.WalkOutChance}, {"People.TurnBackChance", p.TurnBackChance}, {"People.StrangerChance", p.StrangerChance},
		{"People.LateSaleChance", p.LateSaleChance}, {"People.VeryLateSaleChance", p.VeryLateSaleChance},
	} {
		if !(x.value >= 0 && x.value <= 1) {
			return fmt.Errorf("sim: %s is %v: a chance is between 0 and 1", x.name, x.value)
		}
	}
	switch {
	case !r.Off && (r.ReadsPerSec < 1 || r.Beamwidth <= 0 || r.Exponent <= 0):
		return fmt.Errorf("sim: Radio.ReadsPerSec, Beamwidth and Exponent must be above zero; begin with DefaultRadio")
	case r.MissMin > r.MissMax:
		return fmt.Errorf("sim: Radio.MissMin %v is above MissMax %v", r.MissMin, r.MissMax)
	case !r.Off && n.MaxBatch < 1:
		return fmt.Errorf("sim: Network.MaxBatch is %d: a batch has at least one read; begin with DefaultNetwork", n.MaxBatch)
	case p.CustomersPerHour < 0 || p.ReturnsPerHour < 0 || p.Stops < 1:
		return fmt.Errorf("sim: People: rates must not be below zero and Stops is at least 1; begin with DefaultPeople")
	case !(p.WalkMin > 0 && p.WalkMin <= p.WalkMax && p.WalkMax <= 5):
		return fmt.Errorf("sim: People.WalkMin %v and WalkMax %v: walking is above 0 and at most 5 metres a second", p.WalkMin, p.WalkMax)
	}
	return nil
}
