package rules

import (
	"slices"
	"strings"

	"lintel/rules/doc"
)

// nearestName is the nearest of dotted names: a name whose last part fits is a suggestion too, so
// that "kind" finds "zone.kind".
func nearestName(got string, candidates []string) string {
	last := got[strings.LastIndexByte(got, '.')+1:]
	if i := slices.IndexFunc(candidates, func(c string) bool { return strings.HasSuffix(c, "."+last) }); i >= 0 {
		return candidates[i]
	}
	return doc.Nearest(got, candidates)
}
