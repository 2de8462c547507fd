package cases

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// As many expectations as can be find an alert of their own, whatever their order: compared with
// trying all ways.
func TestMatchPairsAsManyAsCanBe(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, m := rapid.IntRange(0, 5).Draw(t, "expected"), rapid.IntRange(0, 5).Draw(t, "happened")
		fits := make([][]bool, n)
		for i := range fits {
			fits[i] = rapid.SliceOfN(rapid.Bool(), m, m).Draw(t, "fits")
		}
		list, happened := make([]pattern, n), make([]*happening, m)
		place := make(map[*happening]int)
		for k := range happened {
			happened[k] = &happening{}
			place[happened[k]] = k
		}
		of := match(list, happened, func(p *pattern, h *happening) bool {
			for i := range list {
				if p == &list[i] {
					return fits[i][place[h]]
				}
			}
			panic("a pattern of another list")
		})
		paired, taken := 0, make(map[int]bool)
		for i, k := range of {
			if k >= 0 {
				require.True(t, fits[i][k])
				require.False(t, taken[k], "one alert is two expectations")
				taken[k] = true
				paired++
			}
		}
		var most func(i int, used int) int
		most = func(i, used int) int {
			if i == n {
				return 0
			}
			best := most(i+1, used)
			for k := range m {
				if fits[i][k] && used&(1<<k) == 0 {
					best = max(best, 1+most(i+1, used|1<<k))
				}
			}
			return best
		}
		require.Equal(t, most(0, 0), paired)
	})
}
