package demo

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"lintel/api"
	"lintel/api/app"
	"lintel/engine/sim"
)

// watched is a buffer that tells when a text has been written.
type watched struct {
	mu   sync.Mutex
	b    bytes.Buffer
	text string
	seen chan struct{}
	once sync.Once
}

func watchFor(text string) *watched { return &watched{text: text, seen: make(chan struct{})} }

func (w *watched) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.b.Write(p)
	if strings.Contains(w.b.String(), w.text) {
		w.once.Do(func() { close(w.seen) })
	}
	return len(p), nil
}

func (w *watched) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.b.String()
}

// inTemp has temporary directories made where the test can look for what is left of them.
func inTemp(t *testing.T) string {
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir)
	return dir
}

func empty(t *testing.T, dir string) {
	list, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Empty(t, list, "the demonstration leaves nothing behind")
}

// quiet makes a small shop with few customers, where nothing is certain to happen but that somebody
// leaves without paying.
func quiet(c *sim.Config) {
	c.Items = 1000
	c.Radio.FixedCycle, c.Radio.PortalReport = 2*time.Second, 500*time.Millisecond // fewer messages
	c.People.CustomersPerHour = 10
	c.People.WalkOutChance, c.People.VeryLateSaleChance = 0, 0
	c.Scenes = []sim.Scene{{At: firstUnpaid, Kind: sim.SceneUnpaidExit, N: 1}}
}

// TestUnpaidPassageBecomesWebhook plays the first minutes and asks for the main line: somebody goes
// out with a book that nobody paid for, an alert says so with its reason, and the receiver gets it
// with a signature that fits.
func TestUnpaidPassageBecomesWebhook(t *testing.T) {
	defer goleak.VerifyNone(t)
	dir := inTemp(t)
	var out bytes.Buffer
	require.NoError(t, Run(t.Context(), Options{Length: 200 * time.Second, Speed: 200, Out: &out, change: quiet, noSync: true}))
	text := out.String()
	t.Log("\n" + text)

	require.Contains(t, text, "never proof")
	require.Contains(t, text, "escape route")
	story := regexp.MustCompile(`(?s)found +the readers have found \d{3} items of \d+ products.*` +
		`\d\d:\d\d:\d\d +out +(\S[^·]*) · Street door · unpaid · confidence [01]\.\d\d\n.*` +
		`\d\d:\d\d:\d\d +ALERT +urgent · unpaid-at-door: .*` +
		`because +zone\.kind == "exit" true · passage\.sure true · item\.sellable true ·\s+item\.paid false\n.*` +
		`webhook +door-team · signature ok · \d+ ms after ·\s+msg_umberhithe-\d+_\w+-1-1_\w+-door-team\n`)
	m := story.FindStringSubmatch(text)
	require.NotNil(t, m, "the story of the unpaid passage is not told:\n%s", text)
	require.Contains(t, text, "unpaid-at-door: "+m[1]+" passed")

	end := text[strings.Index(text, "what the simulator knows"):]
	require.Regexp(t, `unpaid exits +1 item went out unpaid in 1 visit; notified: 1 of 1\n`, end)
	require.Regexp(t, `false alarms +0 `, end)
	require.Regexp(t, `webhooks +[1-9]\d* with a good signature, 0 refused`, end)
	require.Contains(t, end, "none dropped")
	share := regexp.MustCompile(`has (\d+\.\d) % of them in the right zone`).FindStringSubmatch(end)
	require.NotNil(t, share)
	require.GreaterOrEqual(t, share[1], "97.0", "in the right zone")
	require.NotContains(t, text, "\x1b[", "no colours unless asked for")
	empty(t, dir)
}

// TestStockTake plays until a shelf was counted: the reader of the shelf is silent, books were
// carried off, brought and left behind, and staff walk with a handheld.
func TestStockTake(t *testing.T) {
	defer goleak.VerifyNone(t)
	var out bytes.Buffer
	day := func(c *sim.Config) {
		quiet(c)
		c.Scenes = nil
		addStockTake(c)
	}
	require.NoError(t, Run(t.Context(), Options{Length: 9 * time.Minute, Speed: 250, Out: &out, change: day, noSync: true}))
	text := out.String()
	t.Log("\n" + text)

	for line := range strings.Lines(text) {
		require.LessOrEqual(t, utf8.RuneCountInString(strings.TrimSuffix(line, "\n")), pageWidth, line)
	}
	story := regexp.MustCompile(`(?s)count +of Shelf A opened · (\d+) items expected · the reader shelf-a-1 is silent\n` +
		`.*counting +first walk, under way · \d+ of \d+ expected heard · \d+ others?\n +[▁▂▃▄▅▆▇█]+  now \d+\.\d new tags a second\n` +
		`.*counting +first walk, done · .*a batch of \d+ reads sent twice more, with its key and without: still [\d,]+ reads\n` +
		`.*counting +second walk, done · ` +
		`.*closed +(\d+) found as expected · (\d+) moved here · (\d+) not heard · 1 sold but present\n` +
		` +estimate +.*Tags that cannot answer.* not proven\s+gone\.\n` +
		` +accuracy +\d+\.\d % by item · \d+\.\d % by product line, \d+ of \d+ as expected\n` +
		` +look .* · expected, not heard this time: look again\n.* · was known to be elsewhere: it is here now` +
		`.* · sold by the records, and heard: check the\s+sale\n.*pick list +`)
	m := story.FindStringSubmatch(text)
	require.NotNil(t, m, "the story of the stock-take is not told:\n%s", text)
	n := make([]int, len(m))
	for i := 1; i < len(m); i++ {
		var err error
		n[i], err = strconv.Atoi(m[i])
		require.NoError(t, err)
	}
	expected, matched, moved, missed := n[1], n[2], n[3], n[4]
	require.Equal(t, expected, matched+missed)
	require.GreaterOrEqual(t, moved, 1, "books were brought")
	require.GreaterOrEqual(t, missed, 2, "two books were carried off to where there is no reader")
	require.LessOrEqual(t, missed, 2+expected/50)

	truth := regexp.MustCompile(`stock-take +(\d+) items lay on Shelf A; the count found (\d+) of them`).FindStringSubmatch(text)
	require.NotNil(t, truth)
	lay, err := strconv.Atoi(truth[1])
	require.NoError(t, err)
	found, err := strconv.Atoi(truth[2])
	require.NoError(t, err)
	require.GreaterOrEqual(t, found, lay-lay/50)
}

func TestSparkline(t *testing.T) {
	points := func(news ...int) (list []api.CurvePoint) {
		for _, n := range news {
			list = append(list, api.CurvePoint{New: n})
		}
		return list
	}
	require.Empty(t, sparkline(nil))
	require.Equal(t, "▁▁", sparkline(points(0, 0)))
	require.Equal(t, "█▅▂▁▂", sparkline(points(70, 40, 10, 0, 1)), "what is not nothing is seen")
	long := sparkline(points(make([]int, 61)...))
	require.Equal(t, 21, utf8.RuneCountInString(long), "three to a bar")
}

func TestFoundBy(t *testing.T) {
	s, err := sim.New(sim.Config{Seed: 1, Start: start.UnixMilli(), Length: time.Minute, Items: 1000,
		People: sim.DefaultPeople(), Radio: sim.Radio{Off: true}})
	require.NoError(t, err)
	truth := s.Truth()
	lying := truth.Lying(countZone, start.UnixMilli())
	other := truth.Lying("shelf-b", start.UnixMilli())[0]
	require.Greater(t, len(lying), 3)
	item := func(i int) string { return "urn:epc:raw:96.x" + truth.Items[i].EPC }
	var items []api.ItemView
	for _, i := range append(lying[1:], other) { // the first is not known to be there
		items = append(items, api.ItemView{Item: item(i)})
	}
	found := foundBy(items, []api.DifferenceView{{Finding: "missed_once", Item: item(lying[1])},
		{Finding: "moved_here", Item: item(other)}})
	require.Equal(t, countVerdict{lay: len(lying), found: len(lying) - 2, strays: 1},
		judgeCount(truth, countZone, &countOutcome{at: start.UnixMilli(), found: found}))
}

func TestCancel(t *testing.T) {
	defer goleak.VerifyNone(t)
	for _, moment := range []string{"Lintel demonstration", "the readers have found"} {
		t.Run(moment, func(t *testing.T) {
			dir := inTemp(t)
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			out := watchFor(moment)
			done := make(chan error, 1)
			go func() { done <- Run(ctx, Options{Speed: 60, Out: out, Color: true, change: quiet, noSync: true}) }()
			select {
			case <-out.seen:
			case err := <-done:
				t.Fatalf("it ended by itself: %v", err)
			}
			cancel()
			select {
			case err := <-done:
				require.NoError(t, err)
			case <-time.After(30 * time.Second): // about two on a machine of its own
				t.Fatal("it did not end")
			}
			empty(t, dir)
			if moment == "the readers have found" {
				require.Contains(t, out.String(), "Ended early: what the simulator knows")
			}
		})
	}
}

func TestCancelledBefore(t *testing.T) {
	defer goleak.VerifyNone(t)
	dir := inTemp(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.NoError(t, Run(ctx, Options{Out: io.Discard}))
	empty(t, dir)
}

type brokenPipe struct{}

func (brokenPipe) Write([]byte) (int, error) { return 0, errBroken }

var errBroken = errors.New("nobody reads this")

func TestNobodyReads(t *testing.T) {
	defer goleak.VerifyNone(t)
	dir := inTemp(t)
	require.ErrorIs(t, Run(t.Context(), Options{Out: brokenPipe{}}), errBroken)
	empty(t, dir)
}

func TestKeepAndStay(t *testing.T) {
	defer goleak.VerifyNone(t)
	keep := filepath.Join(t.TempDir(), "data")
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	out := watchFor("To look further")
	done := make(chan error, 1)
	go func() {
		done <- Run(ctx, Options{Length: time.Minute, Speed: 600, Out: out, Keep: keep, Stay: true, change: quiet, noSync: true})
	}()
	select {
	case <-out.seen:
	case err := <-done:
		t.Fatalf("it ended by itself: %v\n%s", err, out)
	}
	cancel()
	require.NoError(t, <-done)
	require.FileExists(t, filepath.Join(keep, "lintel.db"))
	require.Contains(t, out.String(), "lintel serve --data "+keep)

	// A server on the data keeps the facts, and the key that was printed may do what the README
	// shows.
	a, err := app.New(t.Context(), app.Options{Data: keep, Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	require.NoError(t, a.Start(t.Context()))
	defer func() { require.NoError(t, a.Stop(context.Background())) }()
	key := regexp.MustCompile(`KEY=(lk_\S+)`).FindStringSubmatch(out.String())
	require.NotNil(t, key)
	ask := func(method, path, body string) string {
		req, err := http.NewRequestWithContext(t.Context(), method, a.URL()+path, strings.NewReader(body))
		require.NoError(t, err)
		req.Header.Set("Authorization", "Bearer "+key[1])
		req.Header.Set("Content-Type", "application/json")
		resp, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		defer resp.Body.Close()
		defer http.DefaultClient.CloseIdleConnections()
		b, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, resp.StatusCode, "%s %s: %s", method, path, b)
		return string(b)
	}
	require.Contains(t, ask("POST", "/v1/rules/wrong-zone/trial?site="+site, ""), `"type":"result"`)
	require.ErrorContains(t, Run(t.Context(), Options{Out: io.Discard, Keep: keep}), "holds the data of a Lintel already")
}

// TestToday: the day ends in the present and none of it is in the future, at any speed and length.
func TestToday(t *testing.T) {
	now := time.Date(2026, 3, 10, 23, 5, 7, 9, time.UTC)
	require.Equal(t, now.Add(-38*time.Minute).Truncate(time.Second), beginning(now, 40*time.Minute, 20))
	require.Equal(t, now.Truncate(time.Second), beginning(now, 40*time.Minute, 1))
	require.Equal(t, now.Truncate(time.Second), beginning(now, 40*time.Minute, 0.5))
	for _, speed := range []float64{1, 20, maxSpeed} {
		end := beginning(now, 40*time.Minute, speed).Add(40 * time.Minute)
		real := now.Add(time.Duration(float64(40*time.Minute) / speed))
		require.WithinRange(t, end, real.Add(-2*time.Second), real)
	}
	require.True(t, scenario(1, now, 40*time.Minute).People.IgnoreHours)
	require.False(t, scenario(1, now, maxLength).People.IgnoreHours)
}

func TestOptions(t *testing.T) {
	for _, o := range []Options{{}, {Out: io.Discard, Speed: -1}, {Out: io.Discard, Speed: 1e9},
		{Out: io.Discard, Length: time.Second}, {Out: io.Discard, Length: 48 * time.Hour}} {
		require.Error(t, Run(t.Context(), o), "%+v", o)
	}
}

// TestLink: the printed address signs in by a key that may do everything there, on this machine
// alone.
func TestLink(t *testing.T) {
	for base, want := range map[string]string{
		"http://127.0.0.1:8470":    "http://127.0.0.1:8470/console/#key=lk_x",
		"http://[::1]:8470":        "http://[::1]:8470/console/#key=lk_x",
		"http://192.168.1.20:8470": "http://192.168.1.20:8470/console/",
	} {
		r := &run{client: &client{base: base}, keys: keys{visitor: "lk_x"}}
		require.Equal(t, want, r.link())
	}
}
