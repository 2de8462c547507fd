package epc

// GTIN14 returns the GTIN-14 of a packed SGTIN key as a number, check digit included. It is false for keys of other things and for hashed keys, whose
// KeyText holds it.
func (k Key) GTIN14() (uint64, bool) {
	if k.Hi>>kindShift != kindSGTIN {
		return 0, false
	}
	return k.Hi & (1<<kindShift - 1), true
}
