package doc

import "strings"

// TurnsText reports the characters that turn the direction of the text around them: embeddings,
// overrides and isolates (Unicode Standard Annex 9, section 2). In a name they would make the words
// beside it look like others. The marks that Arabic and Hebrew need are none of them.
func TurnsText(r rune) bool { return r >= '\u202a' && r <= '\u202e' || r >= '\u2066' && r <= '\u2069' }

// Unturned returns a name without those characters.
func Unturned(s string) string {
	if !strings.ContainsFunc(s, TurnsText) {
		return s
	}
	return strings.Map(func(r rune) rune {
		if TurnsText(r) {
			return -1
		}
		return r
	}, s)
}
