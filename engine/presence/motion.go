package presence

// Motion is a set of ways in which an antenna's reads show an item to move: a set, since reads may
// come in any order and again.
type Motion uint8

// The ways of moving, in relation to an antenna.
const (
	Closer Motion = 1 << iota
	Still
	Away
	Moves // one way or the other

	Motions = 16 // number of sets; 0: nothing is known
)

// Echo is what some readers report of a tag's answer beside its strength.
type Echo struct {
	Point   uint16
	Phase   uint16 // 1 + tenths of a degree, rising with distance: twice the way, in wavelengths; 0: not reported
	Channel uint16 // carrier frequency in tenths of a MHz; 0: not reported
	Doppler int16  // shift in tenths of a Hz, above 0 where the tag comes closer; NoDoppler: not reported
}

// NoDoppler is the Doppler shift of an Echo without one.
const NoDoppler = -1 << 15

const (
	pairMs     = 60   // milliseconds between two phases within which goods that are carried go less than a quarter of a wavelength
	sameMs     = 600  // within which phases are compared to know whether they move at all
	sameWithin = 150  // tenths of a degree
	stillBelow = 250  // mm/s
	plainShift = 500  // mm/s from which a Doppler shift says anything: readers measure it during one short answer
	turn       = 3600 // tenths of a degree
	waveMm     = 2_997_925
)

// lastEcho is the echo that an antenna heard last, to compare the next one with.
type lastEcho struct {
	Echo
	ms int64
}

// motion says what an echo shows, compared with the one before it.
func (l *lastEcho) motion(e Echo, ms int64) (m Motion) {
	before := *l
	*l = lastEcho{e, ms}
	if e.Channel == 0 {
		return 0 // without its wavelength
	}
	wave := int64(waveMm) / int64(e.Channel)
	dt := ms - before.ms
	switch {
	case e.Phase != 0:
		if before.Phase == 0 || before.Point != e.Point || before.Channel != e.Channel || dt <= 0 || dt > sameMs {
			return 0
		}
		d := (int64(e.Phase)-int64(before.Phase)+turn+turn/2)%turn - turn/2
		switch {
		case dt <= pairMs:
		case d >= -sameWithin && d <= sameWithin:
			return Still
		default:
			return Moves
		}
		return motionAt(d*wave*1000/(2*turn*dt), stillBelow)
	case e.Doppler != NoDoppler:
		if m = motionAt(-int64(e.Doppler)*wave/20, plainShift); m != Still {
			return m
		}
	}
	return 0
}

// motionAt classes a speed away from an antenna, in mm/s.
func motionAt(speed, plain int64) Motion {
	switch {
	case speed <= -plain:
		return Closer
	case speed >= plain:
		return Away
	}
	return Still
}
