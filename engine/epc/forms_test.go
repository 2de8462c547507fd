package epc

import "strings"

// ParseWithPC is [ParseBytes] for a read that also reported the tag's PC word, whose most
// significant bit is bit 10h of the EPC memory bank. With its toggle (bit 17h, 0x0100) set the bits
// are not a GS1 EPC and are never decoded: the result is raw and carries the Application Family
// Identifier of the PC word's low byte. Its length field (bits 10h to 14h, in 16-bit words) bounds
// the bits: what follows them in b is dropped. Source: TDS 2.3 9.3, 15.2.1.
func ParseWithPC(b []byte, pc uint16) (EPC, error) {
	nbits, err := pcBits(b, pc)
	if err != nil {
		return EPC{}, err
	}
	if pc&pcToggle != 0 {
		return rawWithAFI(b, nbits, uint8(pc)), nil
	}
	return decode(b, nbits)
}

// HashedKey returns the Key of kind 15 that belongs to a KeyText which has no packed form.
func HashedKey(keyText string) Key { return hashed([]byte(keyText)) }

// SchemeByName finds a scheme by the standard's name, for example "sgtin-96", in any case.
func SchemeByName(name string) (Scheme, bool) {
	for s := Scheme(1); s < numSchemes; s++ {
		if strings.EqualFold(schemes[s].name, name) {
			return s, true
		}
	}
	return NoScheme, false
}
