package presence

// LoudByDefault is the level, in dBm, that a reader is taken to hear of carried goods before it has
// heard any (common practice, no source).
const LoudByDefault = -52

const (
	loudPeaks = 16 // newest approaches that count
	loudRank  = 5  // the level is that of the fifth loudest of them
)

// Loud is what a read point of a door hears of goods that are carried past, so that levels can be
// judged without an absolute scale: the peaks of the newest approaches that ended. The zero value
// has heard none.
type Loud struct {
	Peaks [loudPeaks]int8 // dBm, 0: none yet
	Next  uint8
}

// Add takes the peak of an approach that ended.
func (l *Loud) Add(dbm int8) {
	l.Peaks[l.Next] = min(-1, dbm)
	l.Next = (l.Next + 1) % loudPeaks
}

// Level returns the level of carried goods in dBm.
func (l *Loud) Level() int8 {
	var top [loudRank]int8
	for k := range top {
		top[k] = NoLevel
	}
	for _, p := range l.Peaks {
		if p == 0 {
			p = LoudByDefault
		}
		for k := range top {
			if p > top[k] {
				p, top[k] = top[k], p
			}
		}
	}
	return top[loudRank-1]
}

// Append appends the stored form of l: nothing while no approach has ended.
func (l *Loud) Append(b []byte) []byte {
	if *l == (Loud{}) {
		return b
	}
	for _, p := range l.Peaks {
		b = append(b, byte(p))
	}
	return append(b, l.Next)
}

// Decode is the inverse of Append; what it does not know leaves l as if nothing had been heard.
func (l *Loud) Decode(b []byte) {
	*l = Loud{}
	if len(b) != loudPeaks+1 || b[loudPeaks] >= loudPeaks {
		return
	}
	for k := range l.Peaks {
		l.Peaks[k] = int8(b[k])
	}
	l.Next = b[loudPeaks]
}
