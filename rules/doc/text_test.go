package doc

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestUnturned(t *testing.T) {
	for in, want := range map[string]string{
		"Shelf A":                              "Shelf A",
		"Shelf \u202eA":                        "Shelf A",
		"\u2066\u202a":                         "",
		"\u0645\u0643\u062a\u0628\u0629\u200f": "\u0645\u0643\u062a\u0628\u0629\u200f",
	} {
		require.Equal(t, want, Unturned(in))
	}
}
