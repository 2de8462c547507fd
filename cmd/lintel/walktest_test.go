package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api"
	"lintel/api/app"
)

// walker presses Enter, and carries the tag through the door between the two of each walk.
type walker struct {
	s     *shopServer
	lines int
}

func (w *walker) Read(b []byte) (int, error) {
	if w.lines++; w.lines > 6 {
		return 0, io.EOF
	}
	if w.lines%2 == 0 { // between the beginning of a walk and its end; the first two walks are out and in
		time.Sleep(5 * time.Millisecond) // times of walks are whole milliseconds, each later than the one before
		for i := range 6 {
			inner, outer := -50-4*i, -70+4*i
			if w.lines == 4 {
				inner, outer = outer, inner
			}
			if w.lines == 6 {
				inner, outer = -62, -80
			}
			w.s.do("POST", "/v1/sites/umberhithe/reads", "application/json",
				fmt.Sprintf(`[{"epc":%q,"read_point":"in","rssi":%d},{"epc":%q,"read_point":"out","rssi":%d}]`,
					crashItem(1).Hex(), inner, crashItem(1).Hex(), outer), 202)
		}
	}
	b[0] = '\n'
	return 1, nil
}

func TestWalkTest(t *testing.T) {
	s := serveShop(t, app.Options{Data: t.TempDir()}, "")
	defer s.stop()
	s.do("PUT", "/v1/sites/umberhithe/layout", "application/json", `{"site":"umberhithe","time_zone":"Europe/London","zones":[{"id":"street-door","kind":"exit"}],
		"read_points":[{"id":"in","role":"portal","zone":"street-door","side":"inner"},{"id":"out","role":"portal","zone":"street-door","side":"outer"}]}`, 201)
	call := func(in io.Reader, more ...string) (code int, out, bad string) {
		var o, e bytes.Buffer
		args := append([]string{"walk-test", "--server", s.app.URL(), "--key", s.key, "--site", "umberhithe", "--door",
			"street-door", "--tag", crashItem(1).Hex(), "--settle", "0s"}, more...)
		code = run(streams{t.Context(), in, &o, &e}, args)
		return code, o.String(), e.String()
	}
	once := []string{"--out", "1", "--in", "1", "--along", "1", "--still", "0"}
	code, out, bad := call(&walker{s: s}, append(once, "--store")...)
	require.Zero(t, code, bad)
	require.Contains(t, out, "1 of 3, out: Stand well inside")
	require.Contains(t, out, "2 of 3, in: Stand well outside")
	require.Contains(t, out, "3 of 3, along: ")
	require.Contains(t, out, "street-door: 2 of 2 passages were heard at least 3 times")
	require.Contains(t, out, "inner 6 (-50.0 dBm) outer 6 (-50.0 dBm)")
	require.Contains(t, out, `proposed: sure_within "`)
	require.Contains(t, out, "stored: the layout has version 2")

	code, out, bad = call(&walker{s: s}, append(once, "--json")...)
	require.Zero(t, code, bad)
	var a api.WalkTestAnswer
	require.NoError(t, json.Unmarshal([]byte(out), &a), out)
	require.Len(t, a.Walks, 3)
	require.Equal(t, 2, a.Heard)
	require.Contains(t, bad, "3 of 3, along: ")

	code, _, bad = call(strings.NewReader("\n\n\n"), once...)
	require.Equal(t, 1, code)
	require.Contains(t, bad, "the input ended before the walks did")
	code, _, bad = call(&walker{s: s}, append(once, "--door", "stret-door")...)
	require.Equal(t, 1, code)
	require.Contains(t, bad, `did you mean "street-door"?`)
	code, _, bad = call(strings.NewReader(""), "--out", "-1")
	require.Equal(t, 2, code, bad)
}
