package presence

// Conclusion is what a belief amounts to.
type Conclusion uint8

// The conclusions.
const (
	Nothing  Conclusion = iota
	Likely              // it is probably past the threshold: worth a lamp, nothing more
	Unlikely            // it no longer is
	WentOut             // it surely went out
	CameIn              // it surely came in
)

// When a passage is likely, and when it is sure. Chosen on the regimes that package sim/measure names
// as looked at; the others judge them.
const (
	likelyOut  = 0.35 // confidence of having crossed the threshold from which a passage is likely
	likelyEnds = 0.15 // and below which it no longer is
	sureIn     = 0.90 // confidence of being inside from which an item has come in
	backIn     = 0.80 // the same of an item that went out: plain evidence takes it back
	minHeard   = 3    // slots in which a door must have heard an item to say anything about it,
	minCompany = 3    // or goods that travel with it and that the door has heard as often

	sureOut  = 0.68 // confidence of being past the door from which a passage is sure, at a door with two sides,
	awayOut  = 0.25 // if it is this sure to be well away from it: people stand on the threshold with goods in hand;
	lateOut  = 0.50 // the first once the door's time to be sure is over
	stayOut  = 0.98 // or from which it is sure although it stays near the door
	staysFor = 28   // for so many slots

	sureOutOne = 0.92 // the same at a door with one antenna: there the silence of the readers inside must tell
	lateOutOne = 0.80
	quietOne   = 28 // slots of quiet at the door after which the second holds, too
	lastOutOne = 0.60
	quietEnds  = 41 // and after which the third does: little more will be heard
)

// Conclude says what the belief about an item amounts to. Within is how many slots the door may take
// to be sure; pending says that a passage of the item has been notified as likely.
func (c *Candidate) Conclude(within int64, pending bool) (Conclusion, float64) {
	heard := c.wellHeard() || c.company >= minCompany
	out, in, through := c.Out(), c.In(), c.Through()
	switch {
	case c.Outside:
		if in >= backIn {
			return CameIn, in
		}
	case heard && c.surelyOut(out, within):
		return WentOut, out
	case heard && c.Unknown && c.WasOut && in >= sureIn:
		return CameIn, in
	case heard && !pending && through >= likelyOut && (c.WasIn || !c.Unknown):
		return Likely, through
	case pending && through <= likelyEnds:
		return Unlikely, in
	}
	return Nothing, 0
}

func (c *Candidate) surelyOut(out float64, within int64) bool {
	if c.Crossed == 0 || c.Unknown && !c.WasIn {
		return false // what comes from outside has not gone out
	}
	past := c.Until - c.Crossed
	quiet := c.Until - c.Summary.To
	late := past >= within
	if c.OneSided {
		return out >= sureOutOne || (late || quiet >= quietOne) && out >= lateOutOne || quiet >= quietEnds && out >= lastOutOne
	}
	enough := sureOut
	if late {
		enough = lateOut
	}
	return out >= enough && c.Away() >= awayOut || out >= stayOut && past >= staysFor
}
