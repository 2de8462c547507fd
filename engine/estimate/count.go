package estimate

// BurstGap is how long a tag must have kept still, in milliseconds, for its next read to be another
// sighting. A tag that is read again sooner may have been in the beam all the while: in session S1
// of the Gen2 air interface it keeps quiet for up to 5 s once read (EPC UHF Gen2, tag flags and
// persistence values).
const BurstGap = 5000
