package layout

import (
	"fmt"
	"strings"

	"github.com/agnivade/levenshtein"
)

// Nearest returns the name that a person who wrote got most likely meant, or "" if none of them is close. Case counts for nothing. Of
// names equally close the first wins.
func Nearest(got string, names []string) string {
	const longest = 128 // of a name worth comparing; the distance takes time by the product of the lengths
	if got == "" || len(got) > longest {
		return ""
	}
	lower := strings.ToLower(got)
	best, bestDistance := "", 1+min(3, (len(got)+2)/3)
	for _, name := range names {
		if d := levenshtein.ComputeDistance(lower, strings.ToLower(name)); d < bestDistance {
			best, bestDistance = name, d
		}
	}
	return best
}

// didYouMean is the half-sentence that an error ends with, or "".
func didYouMean(got string, names []string) string {
	if near := Nearest(got, names); near != "" {
		return fmt.Sprintf("; did you mean %q?", near)
	}
	return ""
}
