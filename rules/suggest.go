package rules

import (
	"slices"
	"strings"
)

// nearest returns the candidate that was probably meant by got, or "" when none is close. Ties go to the first.
func nearest(got string, candidates []string) string {
	got = strings.ToLower(got)
	if len(got) > 100 || got == "" {
		return ""
	}
	best, bestDistance := "", 1+max(1, len(got)/3)
	for _, c := range candidates {
		if d := distance(got, strings.ToLower(c)); d < bestDistance {
			best, bestDistance = c, d
		}
	}
	return best
}

// nearestName is nearest for dotted names: a name whose last part fits is a suggestion too, so that "kind" finds "zone.kind".
func nearestName(got string, candidates []string) string {
	if best := nearest(got, candidates); best != "" {
		return best
	}
	last := got[strings.LastIndexByte(got, '.')+1:]
	i := slices.IndexFunc(candidates, func(c string) bool { return strings.HasSuffix(c, "."+last) })
	if i < 0 {
		return ""
	}
	return candidates[i]
}

// distance is the optimal string alignment distance: the fewest insertions, deletions, substitutions and swaps of neighbours.
func distance(a, b string) int {
	ra, rb := []rune(a), []rune(b)
	if len(rb) > 100 {
		return len(rb)
	}
	older, prev, row := make([]int, len(rb)+1), make([]int, len(rb)+1), make([]int, len(rb)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := 1; i <= len(ra); i++ {
		row[0] = i
		for j := 1; j <= len(rb); j++ {
			cost := 1
			if ra[i-1] == rb[j-1] {
				cost = 0
			}
			row[j] = min(prev[j]+1, row[j-1]+1, prev[j-1]+cost)
			if i > 1 && j > 1 && ra[i-1] == rb[j-2] && ra[i-2] == rb[j-1] {
				row[j] = min(row[j], older[j-2]+1)
			}
		}
		older, prev, row = prev, row, older
	}
	return prev[len(rb)]
}

// didYouMean is a hint, or "" when nothing is near.
func didYouMean(got string, candidates []string) string {
	if n := nearest(got, candidates); n != "" {
		return "did you mean " + n + "?"
	}
	return ""
}
