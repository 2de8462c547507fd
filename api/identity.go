package api

import (
	"encoding/hex"
	"errors"
	"strings"
	"unsafe"

	"lintel/engine/epc"
)

// parseIdentity reads a tag's identity in any form. Bits that are no GS1 EPC are an identity too:
// their own. The result may share memory with s.
func parseIdentity(s string, pc uint16, hasPC bool) (epc.EPC, error) {
	if s != "" && s[0] <= ' ' {
		s = strings.TrimSpace(s)
	}
	if s == "" || !isHexDigit[s[0]] {
		return epc.Parse(s)
	}
	// Nearly all are digits and nothing else; ParseHex also takes blanks and 0x, and has the words
	// for what is wrong.
	var bits [62]byte
	if len(s) <= 2*len(bits) {
		if n, err := hex.Decode(bits[:], unsafe.Slice(unsafe.StringData(s), len(s))); err == nil {
			return epc.ParseTag(bits[:n], pc, hasPC)
		}
	}
	return epc.ParseHex(s, pc, hasPC)
}

// isHexDigit tells tag bits from the other forms, which begin with "urn:", "(" or "http".
var isHexDigit = func() (set [256]bool) {
	for _, c := range "0123456789abcdefABCDEF" {
		set[c] = true
	}
	return set
}()

// hashedKind is the kind of a Key, in its top four bits, that can't be turned back into words.
const hashedKind = 15

// keyOf returns the key of an identity, and its words where the key does not hold them.
func keyOf(id epc.EPC) (epc.Key, string) {
	k := id.Key()
	if k.Hi>>60 == hashedKind {
		return k, id.KeyText()
	}
	return k, ""
}

// identityFault explains why an identity was refused.
func identityFault(err error) Rejection {
	var e *epc.Error
	if errors.As(err, &e) {
		return Rejection{Reason: e.Reason, Section: e.Section, class: reasonIdentity}
	}
	return Rejection{Reason: err.Error(), class: reasonIdentity}
}
