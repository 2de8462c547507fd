package doors

import "fmt"

// Regime is one way in which shops, radio, readers, networks and people differ. Take one from
// Regimes and change it: New refuses what can't be simulated.
type Regime struct {
	Name   string
	Source string // where its values come from; "from memory" where no document was at hand
	Held   bool   // must not be used to fit or choose anything

	// The field.
	Drift    float64 // share of the diffuse waves whose phase turns at 0.02 to 0.3 Hz
	Channels int     // 1: fixed; 4: the upper channels of 865 to 868 MHz; 50: 902 to 928 MHz
	HopMs    [2]int  // how long a channel is kept, at least and at most
	Body     float64 // dB that a body between tag and antenna takes, one way

	// Readers.
	DoorPower     float64 // dB beside the usual power
	TurnMs        [2]int  // how long an antenna of a door's reader is on before the next one's turn
	DoorSession   string  // S0 to S3
	ShelfSession  string
	DoorReportMs  int64
	ShelfReportMs int64
	Sums          int     // reads for each tag and antenna in a report: 0 all, 1 the last with the count, 2 first and last
	RSSIOffset    float64 // dB
	RSSIStep      float64 // dB; negative: no RSSI at all
	Phase         bool    // readers report phase, channel and Doppler shift
	SkewMs        int64   // each reader's clock is wrong by up to this, either way

	// Network.
	LateShare float64 // of batches that come 1 to 5 s later than the others

	// People and place.
	Idlers      int     // people who stand and stroll in the shop
	Pace        float64 // factor on the time between scenes
	NothingNear bool    // no goods within 3 m of a door
	OnDoor      bool    // three goods of the window hang at the street door itself
	Side        bool    // antennas beside the door at 1 m instead of over it
	HalfWidth   float64 // of the street door, m
	Apart       float64 // m by which the antennas of the two sides are further from the threshold
	Pairs       int     // antennas on each side of the street door
}

func base() Regime {
	return Regime{
		Name: "base", Source: "from memory",
		Drift: 0.2, Channels: 4, HopMs: [2]int{200, 400}, Body: 9,
		TurnMs: [2]int{50, 100}, DoorSession: "S0", ShelfSession: "S1", DoorReportMs: 300, ShelfReportMs: 1000,
		RSSIStep: 0.5, SkewMs: 200,
		Idlers: 4, Pace: 1, HalfWidth: 0.9, Pairs: 1,
	}
}

// Regimes returns all regimes, "base" first. The list is made anew by each call.
func Regimes() []Regime {
	list := []Regime{base()}
	add := func(name, source string, change func(*Regime)) *Regime {
		r := base()
		r.Name, r.Source = name, source
		change(&r)
		list = append(list, r)
		return &list[len(list)-1]
	}
	const memory = "from memory"
	const gen2 = "EPC Gen2 (ISO/IEC 18000-63), persistence of inventoried flags; from memory"
	add("drift-none", memory, func(r *Regime) { r.Drift = 0 })
	add("drift-lively", memory, func(r *Regime) { r.Drift = 1. / 3 }).Held = true
	add("fixed-channel", "one of four channels of ETSI EN 302 208; from memory", func(r *Regime) { r.Channels = 1 })
	add("hopping", "47 CFR 15.247, 50 channels, at most 0.4 s each; from memory", func(r *Regime) { r.Channels = 50 })
	add("turns-slow", memory, func(r *Regime) { r.TurnMs = [2]int{250, 400} }).Held = true
	add("door-s1", gen2, func(r *Regime) { r.DoorSession = "S1" })
	add("door-s2", gen2, func(r *Regime) { r.DoorSession = "S2" })
	add("door-s3", gen2, func(r *Regime) { r.DoorSession = "S3" })
	add("shelves-s2", gen2, func(r *Regime) { r.ShelfSession = "S2" })
	add("shelves-s3", gen2, func(r *Regime) { r.ShelfSession = "S3" }).Held = true
	add("report-1s", memory, func(r *Regime) { r.DoorReportMs = 1000 })
	add("sums", memory, func(r *Regime) { r.DoorReportMs, r.Sums = 1000, 1 })
	add("sums-first-last", memory, func(r *Regime) { r.DoorReportMs, r.Sums = 1000, 2 }).Held = true
	add("rssi-high", memory, func(r *Regime) { r.RSSIOffset = 12 }).Held = true
	add("rssi-low", memory, func(r *Regime) { r.RSSIOffset = -12 })
	add("rssi-steps", memory, func(r *Regime) { r.RSSIStep = 4 }).Held = true
	add("rssi-none", memory, func(r *Regime) { r.RSSIStep = -1 })
	add("bodies-none", memory, func(r *Regime) { r.Body = 0 })
	add("bodies-heavy", memory, func(r *Regime) { r.Body = 14 }).Held = true
	add("phase", "error of the phase 0.1 rad, of the Doppler shift 3 Hz; from memory", func(r *Regime) { r.Phase = true })
	add("phase-fixed", "as phase, on one channel; from memory", func(r *Regime) { r.Phase, r.Channels = true, 1 }).Held = true
	add("late", memory, func(r *Regime) { r.LateShare = 0.35 })
	add("clocks-2s", memory, func(r *Regime) { r.SkewMs = 2000 }).Held = true
	add("strong", memory, func(r *Regime) { r.DoorPower = 3 })
	add("weak", memory, func(r *Regime) { r.DoorPower = -5 }).Held = true
	add("few-people", memory, func(r *Regime) { r.Idlers, r.Pace = 0, 3 })
	add("crowd", memory, func(r *Regime) { r.Idlers, r.Pace = 14, 0.6 }).Held = true
	add("nothing-near", memory, func(r *Regime) { r.NothingNear = true })
	add("on-door", memory, func(r *Regime) { r.OnDoor = true })
	add("mounting-side", memory, func(r *Regime) { r.Side = true }).Held = true
	add("wide-door", memory, func(r *Regime) { r.HalfWidth, r.Apart = 2, 0.8 }).Held = true
	add("open-front", memory, func(r *Regime) { r.HalfWidth, r.Pairs = 3, 2 })
	return list
}

// RegimeByName finds a regime.
func RegimeByName(name string) (Regime, bool) {
	for _, r := range Regimes() {
		if r.Name == name {
			return r, true
		}
	}
	return Regime{}, false
}

// check refuses what can't be simulated.
func (r *Regime) check() error {
	session := func(s string) bool { return s == "S0" || s == "S1" || s == "S2" || s == "S3" }
	for _, c := range []struct {
		ok   bool
		what string
	}{
		{r.Name != "", "Name is empty"},
		{r.Drift >= 0 && r.Drift <= 1, "Drift is a share, 0 to 1"},
		{r.Channels == 1 || r.Channels == 4 || r.Channels == 50, "Channels is 1, 4 or 50"},
		{r.HopMs[0] > 0 && r.HopMs[0] <= r.HopMs[1], "HopMs goes from a time above 0 to one that is not shorter"},
		{r.TurnMs[0] >= 20 && r.TurnMs[0] <= r.TurnMs[1], "TurnMs goes from at least 20 to a time that is not shorter"},
		{session(r.DoorSession) && session(r.ShelfSession), "DoorSession and ShelfSession are S0, S1, S2 or S3"},
		{r.DoorReportMs >= 100 && r.ShelfReportMs >= 100, "DoorReportMs and ShelfReportMs are at least 100"},
		{r.Sums >= 0 && r.Sums <= 2, "Sums is 0, 1 or 2"},
		{r.RSSIStep != 0, "RSSIStep is above 0, or below 0 for none"},
		{r.LateShare >= 0 && r.LateShare <= 1, "LateShare is a share, 0 to 1"},
		{r.Pace > 0, "Pace is above 0"},
		{r.Idlers >= 0 && r.SkewMs >= 0 && r.Body >= 0, "Idlers, SkewMs and Body are not below 0"},
		{r.HalfWidth >= 0.5 && r.HalfWidth <= 4, "HalfWidth is 0.5 to 4 m"},
		{r.Pairs >= 1 && r.Pairs <= 4, "Pairs is 1 to 4"},
	} {
		if !c.ok {
			return fmt.Errorf("doors: regime %q: %s; begin with one of Regimes", r.Name, c.what)
		}
	}
	return nil
}
