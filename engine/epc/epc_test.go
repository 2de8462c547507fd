package epc

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestFormsOfOneItem(t *testing.T) {
	for _, in := range []string{
		"3036451FD40C0E4000001A85",
		"0x3036 451f d40c 0e40 0000 1a85",
		"F7109521141123454046A140",
		"urn:epc:tag:sgtin-96:1.9521141.012345.6789",
		"urn:epc:id:sgtin:9521141.012345.6789",
		"(01)09521141123454(21)6789",
		"https://id.gs1.org/01/09521141123454/21/6789",
		"http://umberhithe.example/shop/01/09521141123454/10/LOT/21/6789?17=261231#x",
	} {
		e, err := Parse(in)
		require.NoError(t, err, in)
		require.Equal(t, "(01)09521141123454(21)6789", e.KeyText(), in)
		require.Equal(t, Key{1<<60 | 9521141123454, 6789}, e.Key(), in)
	}
}
