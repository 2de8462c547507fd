package presence

// counted holds likelihoods in units of 1/one, and transitions in units of 1/65536 a slot.
type counted struct {
	move   [States][States]uint16
	both   [levelBins][levelBins][States]uint32 // by what the inner and the outer side hear, if one does
	single [levelBins][States]uint32            // by what one antenna hears, if it does
	heard  [2][runBins][States]uint32           // by a door with two sides or one, that has been silent for so many slots
	rest   [2][levelBins]uint32                 // of goods at rest near a door, by side
	change [changeBins][States]uint32           // by how much a level changed
	motion [3][Motions][States]uint32           // by what an antenna's reads show of its way: inner, outer, the only one
	hit    [runBins][States]uint32              // by a reader inside in an epoch, that has been silent for so many
	desk   [States]uint32                       // a short-range reader did
}
