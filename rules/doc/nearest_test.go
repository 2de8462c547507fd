package doc

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestNearest(t *testing.T) {
	names := []string{"front-tables", "shelf-a", "shelf-b", "stockroom", "zone.kind", "zone.id"}
	for got, want := range map[string]string{
		"front-table": "front-tables", "Front-Tables": "front-tables", "shelf-c": "shelf-a", "shefl-b": "shelf-b",
		"stokcroom": "stockroom", "zone.kidn": "zone.kind",
		"": "", "café": "", "x": "", "stockrooms-upstairs": "", strings.Repeat("shelf-a", 100): "",
	} {
		require.Equal(t, want, Nearest(got, names), got)
	}
	require.Empty(t, Nearest("shelf-a", nil))
	require.Equal(t, "é", Nearest("É", []string{"é"}), "letters, not bytes")
}

func TestQuestions(t *testing.T) {
	names := []string{"shelf", "floor"}
	require.Equal(t, `did you mean "shelf"?`, DidYouMean("shlef", names))
	require.Equal(t, `; did you mean "shelf"?`, OrDidYouMean("shlef", names))
	require.Equal(t, `did you mean "shelf"?`, OneOf("shlef", names))
	require.Empty(t, DidYouMean("till", names))
	require.Empty(t, OrDidYouMean("till", names))
	require.Equal(t, "use one of shelf, floor", OneOf("till", names))
	require.Empty(t, OneOf("till", nil))
	require.Empty(t, OneOf("till", strings.Fields("aaaaa bbbbb ccccc ddddd eeeee fffff ggggg hhhhh jjjjj kkkkk "+
		"mmmmm nnnnn ooooo ppppp qqqqq")), "too many to read")
}

// Worked examples: kitten and sitting are the customary ones of V. Levenshtein's distance; that CA
// and ABC are 3 apart, and not 2 as they would be if a letter could be touched twice, is what tells
// optimal string alignment from the distance of Damerau and Levenshtein (L. Boytsov, "Indexing
// methods for approximate dictionary searching", ACM Journal of Experimental Algorithmics 16,
// 2011). Both from memory.
func TestDistanceOfWorkedExamples(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{
		{"kitten", "sitting", 3}, {"ca", "abc", 3}, {"", "", 0}, {"", "abc", 3}, {"abc", "", 3}, {"ab", "ba", 1},
		{"abcd", "badc", 2}, {"über", "uber", 1},
	} {
		require.Equal(t, c.want, distance([]rune(c.a), []rune(c.b)), "%s and %s", c.a, c.b)
	}
}

// The distance is what its definition says, taken literally: the best of the last step being a
// deletion, an insertion, a substitution or a swap.
func TestDistanceIsAsDefined(t *testing.T) {
	var defined func(a, b []rune) int
	defined = func(a, b []rune) int {
		n, m := len(a), len(b)
		if n == 0 || m == 0 {
			return n + m
		}
		cost := 1
		if a[n-1] == b[m-1] {
			cost = 0
		}
		best := min(defined(a[:n-1], b)+1, defined(a, b[:m-1])+1, defined(a[:n-1], b[:m-1])+cost)
		if n > 1 && m > 1 && a[n-1] == b[m-2] && a[n-2] == b[m-1] {
			best = min(best, defined(a[:n-2], b[:m-2])+1)
		}
		return best
	}
	word := rapid.StringOfN(rapid.RuneFrom([]rune("abé")), 0, 5, -1)
	rapid.Check(t, func(t *rapid.T) {
		a, b := []rune(word.Draw(t, "a")), []rune(word.Draw(t, "b"))
		require.Equal(t, defined(a, b), distance(a, b))
		require.Equal(t, distance(a, b), distance(b, a))
	})
}
