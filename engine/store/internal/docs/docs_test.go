package docs

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/store"
)

func TestDocumentsComeBackAsTheyWere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := store.Document{
			Name:    "site/umberhithe/layout",
			Version: rapid.IntRange(1, 1<<30).Draw(t, "version"),
			At:      time.Unix(rapid.Int64Range(0, 1<<34).Draw(t, "seconds"), rapid.Int64Range(0, 999_999_999).Draw(t, "ns")).UTC(),
			By:      rapid.String().Draw(t, "by"),
			Note:    rapid.String().Draw(t, "note"),
			Body: bytes.Repeat(rapid.SliceOfN(rapid.Byte(), 0, 64).Draw(t, "body"),
				rapid.IntRange(0, 300).Draw(t, "times")),
		}
		stored := AppendBody(AppendHead(nil, &in), in.Body)
		out, rest, err := ReadHead(in.Name, stored)
		require.NoError(t, err)
		out.Body, err = ReadBody(in.Name, rest)
		require.NoError(t, err)
		require.True(t, bytes.Equal(in.Body, out.Body))
		in.Body, out.Body = nil, nil
		require.Equal(t, in, out)
	})
}

func TestLargeBodiesShrink(t *testing.T) {
	body := bytes.Repeat([]byte("shelf A, shelf B, "), 1000)
	require.Less(t, len(AppendBody(nil, body)), len(body)/10)
	require.Len(t, AppendBody(nil, body[:CompressFrom]), CompressFrom+1, "a small body stays plain")
}

// FuzzRead checks that no stored bytes, however damaged, do worse than an error.
func FuzzRead(f *testing.F) {
	d := store.Document{Version: 3, At: time.Unix(1_800_000_000, 0), By: "mira", Note: "café zone"}
	f.Add(AppendBody(AppendHead(nil, &d), []byte("zones: []")))
	f.Add(AppendBody(AppendHead(nil, &d), bytes.Repeat([]byte("zones: []\n"), 1000)))
	f.Add([]byte{headFormat, 0xc0})
	f.Fuzz(func(t *testing.T, b []byte) {
		_, rest, err := ReadHead("layout", b)
		if err != nil {
			return
		}
		if body, err := ReadBody("layout", rest); err == nil && len(body) > store.MaxValue {
			t.Fatalf("%d bytes from %d", len(body), len(b))
		}
	})
}
