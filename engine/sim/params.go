package sim

import "time"

// Config says what is simulated. Demo and Default fill it with sensible values; change what you
// need and call New.
type Config struct {
	Seed   uint64
	Start  int64         // Unix milliseconds of the simulated beginning
	Length time.Duration // simulated time
	// the layout document; nil: Layout(). It must have the zones and read points of Umberhithe
	// Books, but may set them differently
	Layout  []byte
	Items   int // tagged items, 1,000 to 1,000,000; the stockroom takes what the sales floor does not
	Radio   Radio
	People  People
	Network Network
	Scenes  []Scene // what happens for certain, beside what happens by chance
}

// Radio is the model of readers and tags.
//
// The received power of a tag is
//
//	RSSI1m + power - 2*(10*Exponent*log10(d) + antenna + floor + wall + body) + shadowing + fading   [dBm], d in metres
//
// since the wave goes there and back. The tag answers only if the way there leaves it enough power,
// ForwardMargin1m + power - (one way) >= 0, and the reader hears it only above Sensitivity. The
// log-distance law with normal shadowing is the usual one for indoor radio (from memory: Rappaport,
// "Wireless Communications", chapter on large-scale path loss; 1.6 to 1.8 in line of sight
// indoors). Where no source is named a default is common practice, no source.
type Radio struct {
	Off bool // generate no reads, only events and truth: a day then takes about a second

	RSSI1m          float64 // dBm at 1 m in the middle of the beam
	Exponent        float64 // one way
	ForwardMargin1m float64 // dB of power that a tag has to spare at 1 m
	Sensitivity     float64 // dBm that a reader can just hear
	Beamwidth       float64 // degrees between the half-power directions of an antenna, one way
	BackLobe        float64 // dB, the most that an antenna loses in any direction, one way
	FloorLoss       float64 // dB of a ceiling, one way
	WallLoss        float64 // dB of the wall between shop and stockroom, one way
	BodyLoss        float64 // dB, one way: a carried tag loses between 0 and this, fixed for each person
	Shadowing       float64 // dB, standard deviation, fixed for each tag and read point
	Fading          float64 // dB, standard deviation, new for each read
	MissMin         float64 // chance of missing a tag in range in one round of a reader,
	MissMax         float64 // fixed for each tag and read point between the two: 10 to 40 %

	// dB, against the full power that RSSI1m and ForwardMargin1m stand for: turned down so as not
	// to hear the zone next door
	FixedPower    float64
	PortalPower   float64
	DeskPower     float64
	HandheldPower float64 // staff turn it down so as not to read the next shelf as well

	FixedCycle    time.Duration // one inventory round, and how often it is reported
	PortalCycle   time.Duration // of each of the two antennas, which take turns
	DeskCycle     time.Duration
	HandheldCycle time.Duration
	PortalReport  time.Duration // how often a portal reports
	ReadsPerSec   int           // the most a reader manages; a round over more tags takes longer
	S0Rounds      int           // rounds that fit into a cycle in session S0, where tags answer each time, at most

	// In session S1 a tag that was read keeps quiet for a while, whichever S1 reader read it. EPC
	// Gen2 (ISO/IEC 18000-63) asks for 500 ms to 5 s (from memory), and most tags stay in the lower
	// half; it is fixed for each tag between the two. Readers in S2 and S3 are treated like S1.
	QuietMin, QuietMax time.Duration

	ClockSkew time.Duration // each reader's clock is wrong by up to this, either way
}

// Network is the way from readers and tills to the server.
type Network struct {
	DelayMin, DelayMax time.Duration // of every message
	LateShare          float64       // of batches that come later than that,
	LateMin, LateMax   time.Duration // by this, so that batches overtake each other
	MaxBatch           int           // reads in one batch
}

// People is what customers and staff do. The rates are invented: plausible for a busy bookshop, no
// source.
type People struct {
	CustomersPerHour float64
	ReturnsPerHour   float64
	IgnoreHours      bool // customers come outside opening hours as well

	Stops              int           // places that a customer looks at, at most
	BrowseMin          time.Duration // at each of them
	BrowseMax          time.Duration
	PickChance         float64 // to take something at a stop
	PutBackChance      float64 // to put it back before the next stop,
	WrongPlaceChance   float64 // and then in the wrong place
	BuyChance          float64 // to buy what is in hand in the end, rather than put it back
	WalkOutChance      float64 // to leave with it unpaid instead
	TurnBackChance     float64 // to go to the door with unpaid goods first, and turn back
	StrangerChance     float64 // to carry a tag from elsewhere
	LateSaleChance     float64 // the till tells a sale 1 to 5 s late
	VeryLateSaleChance float64 // the till tells a sale 25 to 45 s late, when the goods are through the door

	WalkMin, WalkMax float64 // metres a second

	RefillEvery time.Duration // staff look for what is below its minimum, and bring back what was returned
	TidyEvery   time.Duration // staff bring misplaced goods home
}

// DefaultRadio returns the radio model's defaults.
func DefaultRadio() Radio {
	return Radio{
		RSSI1m: -42, Exponent: 1.8, ForwardMargin1m: 20, Sensitivity: -80, Beamwidth: 70, BackLobe: 15, FloorLoss: 18,
		WallLoss: 8, BodyLoss: 4,
		Shadowing: 3, Fading: 2.5, MissMin: 0.10, MissMax: 0.40,
		FixedPower: -3, PortalPower: -8, DeskPower: -18, HandheldPower: -15,
		FixedCycle: time.Second, PortalCycle: 200 * time.Millisecond, DeskCycle: 300 * time.Millisecond,
		HandheldCycle: 500 * time.Millisecond,
		PortalReport:  300 * time.Millisecond, ReadsPerSec: 1000, S0Rounds: 2,
		QuietMin: 500 * time.Millisecond, QuietMax: 3 * time.Second,
		ClockSkew: 400 * time.Millisecond,
	}
}

// DefaultNetwork returns the network's defaults.
func DefaultNetwork() Network {
	return Network{
		DelayMin: 3 * time.Millisecond, DelayMax: 40 * time.Millisecond, LateShare: 0.003, LateMin: time.Second,
		LateMax: 8 * time.Second, MaxBatch: 500,
	}
}

// DefaultPeople returns the defaults of what people do.
func DefaultPeople() People {
	return People{
		CustomersPerHour: 30, ReturnsPerHour: 0.5, Stops: 4, BrowseMin: 15 * time.Second, BrowseMax: 2 * time.Minute,
		PickChance: 0.35, PutBackChance: 0.4, WrongPlaceChance: 0.12, BuyChance: 0.8, WalkOutChance: 0.004, TurnBackChance: 0.03,
		StrangerChance: 0.1, LateSaleChance: 0.1, VeryLateSaleChance: 0.02, WalkMin: 0.9, WalkMax: 1.4,
		RefillEvery: 15 * time.Minute, TidyEvery: 2 * time.Hour,
	}
}
