package doc

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// longest is the length in bytes of names worth comparing: the distance takes time by the product
// of the lengths. No identifier of a document has more.
const longest = 64

// Nearest returns the name that a person who wrote got most likely meant, or "" if none of them is
// close: at most every third letter may be wrong, and no more than three. Letters that changed
// places are one mistake, and case counts for nothing. Of names equally close the first wins.
func Nearest(got string, names []string) string {
	if got == "" || len(got) > longest {
		return ""
	}
	lower := []rune(strings.ToLower(got))
	best, bestDistance := "", 1+min(3, (len(got)+2)/3)
	for _, name := range names {
		if len(name) > longest {
			continue
		}
		small := strings.ToLower(name)
		if n := utf8.RuneCountInString(small) - len(lower); n >= bestDistance || -n >= bestDistance {
			continue // the distance is no less than that of the lengths
		}
		if d := distance(lower, []rune(small)); d < bestDistance {
			best, bestDistance = name, d
		}
	}
	return best
}

// distance is the optimal string alignment distance: the fewest insertions, deletions,
// substitutions and swaps of neighbours, no letter being touched twice. (Levenshtein's own, without
// swaps, takes zone.kidn for zone.id.)
func distance(a, b []rune) int {
	older, prev, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(prev[j]+1, row[j-1]+1, prev[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], older[j-2]+1)
			}
		}
		older, prev, row = prev, row, older
	}
	return prev[len(b)]
}

// DidYouMean is the question after the name that was probably meant, or "".
func DidYouMean(got string, names []string) string {
	if near := Nearest(got, names); near != "" {
		return fmt.Sprintf("did you mean %q?", near)
	}
	return ""
}

// Suggest is DidYouMean as rules and cases write names, without quotes, or otherwise if none is
// close.
func Suggest(got string, names []string, otherwise string) string {
	if near := Nearest(got, names); near != "" {
		return "did you mean " + near + "?"
	}
	return otherwise
}

// OrDidYouMean is DidYouMean as the end of a sentence that says what is wrong.
func OrDidYouMean(got string, names []string) string {
	if ask := DidYouMean(got, names); ask != "" {
		return "; " + ask
	}
	return ""
}

// OneOf is DidYouMean, or all the names if none is close and they are few.
func OneOf(got string, names []string) string {
	if ask := DidYouMean(got, names); ask != "" {
		return ask
	}
	if len(names) > 0 && len(names) <= 14 {
		return "use one of " + strings.Join(names, ", ")
	}
	return ""
}
