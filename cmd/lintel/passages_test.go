package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/app"
)

func TestPassages(t *testing.T) {
	// Passages are got once their end is there, so the server lives a minute ago.
	now := func() time.Time { return time.Now().Add(-time.Minute) }
	s := serveShop(t, app.Options{Data: t.TempDir(), Now: now}, "")
	defer s.stop()
	s.do("PUT", "/v1/sites/umberhithe/layout", "application/json", `{"site":"umberhithe","time_zone":"Europe/London","zones":[{"id":"shelf-a","kind":"shelf"},{"id":"street-door","kind":"exit"},{"id":"bay","kind":"receiving"}],
		"read_points":[{"id":"in","role":"portal","zone":"street-door","side":"inner"},{"id":"out","role":"portal","zone":"street-door","side":"outer"},
		{"id":"bay-in","role":"portal","zone":"bay","side":"inner"},{"id":"bay-out","role":"portal","zone":"bay","side":"outer"},{"id":"handheld-1","role":"handheld"}]}`, 201)
	walk := func(serial uint64, inner, outer string) {
		at := now().Add(-3 * time.Second)
		tag := crashItem(serial).Hex()
		reads := []string{fmt.Sprintf(`{"epc":%q,"read_point":"handheld-1","zone":"shelf-a","time":%d}`, tag, at.UnixMilli())}
		for i := range 16 {
			reads = append(reads, fmt.Sprintf(`{"epc":%q,"read_point":%q,"rssi":%d,"time":%d},{"epc":%[1]q,"read_point":%[5]q,"rssi":%d,"time":%[4]d}`,
				tag, inner, -52-2*i, at.Add(time.Duration(500+100*i)*time.Millisecond).UnixMilli(), outer, -82+2*i))
		}
		s.do("POST", "/v1/sites/umberhithe/reads", "application/json", "["+strings.Join(reads, ",")+"]", 202)
	}
	walk(1, "in", "out")
	walk(2, "in", "out")
	walk(3, "in", "out")
	walk(4, "bay-in", "bay-out")
	call := func(args ...string) (code int, out, bad string) {
		var o, e bytes.Buffer
		code = run(streams{t.Context(), strings.NewReader("nothing\n"), &o, &e}, args)
		return code, o.String(), e.String()
	}
	get := []string{"passages", "--server", s.app.URL(), "--key", s.key, "--site", "umberhithe", "--door", "street-door"}
	var lines []string
	require.Eventually(t, func() bool {
		code, out, bad := call(get...)
		require.Zero(t, code, bad)
		lines = strings.SplitAfter(strings.TrimSpace(out), "\n")
		return len(lines) == 3 && strings.HasPrefix(bad, "3 passages since ")
	}, time.Minute, 50*time.Millisecond)
	since := now().Add(time.Minute / 2).UTC().Format(time.RFC3339)
	code, out, bad := call(append(get, "--since", since)...)
	require.Zero(t, code, bad)
	require.Empty(t, out)
	require.Equal(t, "0 passages since "+since+"\n", bad)
	code, _, bad = call(append(get, "--site", "nowhere")...)
	require.Equal(t, 1, code)
	require.Contains(t, bad, "no such site")
	code, _, bad = call(append(get, "--since", "yesterday")...)
	require.Equal(t, 2, code)
	require.Contains(t, bad, `--since: "yesterday" is no`)

	// Labelled by people, and judged again.
	file := filepath.Join(t.TempDir(), "passages.ndjson")
	label := func(k int, label string) string {
		return strings.Replace(lines[k], `"label":""`, `"label":"`+label+`"`, 1)
	}
	require.NoError(t, os.WriteFile(file, []byte(label(0, "out")+label(1, "stayed")+lines[2]), 0o600))
	code, out, bad = call("truth", "--passages", file)
	require.Zero(t, code, bad)
	require.Equal(t, []string{"umberhithe", "street-door", "1", "1", "100.0", "%", "1", "1", "100.0", "%", "0", "1"},
		strings.Fields(strings.Split(out, "\n")[1]), out)
	code, out, bad = call("truth", "--passages", file, "--json")
	require.Zero(t, code, bad)
	require.JSONEq(t, `{"doors":[{"site":"umberhithe","door":"street-door","labelled_out":1,"found":1,"labelled_other":1,"false":1,"changed":0,"unlabelled":1}]}`, out)
	require.NoError(t, os.WriteFile(file, []byte(label(0, "out")+label(1, "gone")), 0o600))
	code, _, bad = call("truth", "--passages", file)
	require.Equal(t, 1, code)
	require.Contains(t, bad, `line 2, label: "gone" is no label`)
	code, _, bad = call("truth", "--passages", "-")
	require.Equal(t, 1, code)
	require.Contains(t, bad, "-: line 1, column 2: not JSON")
	code, _, bad = call("truth", "--passages", file+".none")
	require.Equal(t, 3, code)
	require.Contains(t, bad, "no such file")
	code, _, bad = call("truth", "--passages", file, "--held")
	require.Equal(t, 2, code)
	require.Contains(t, bad, "--passages goes without")
}
