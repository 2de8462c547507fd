package rules

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
	"lintel/rules/doc"
)

// hostile is one attack of testdata/hostile.json. The attacks were collected by trying the
// expression language without guards, where some of them kill the process or never end.
type hostile struct {
	Name  string   `json:"name"`
	When  string   `json:"when"`
	Parts [][2]any `json:"parts"` // instead of When: texts with how often each stands there
	Times int      `json:"times"` // it stands so often under but, in a rule that is always true; 0: it is the rule's own
}

func (h hostile) text() string {
	var b strings.Builder
	b.WriteString(h.When)
	for _, p := range h.Parts {
		b.WriteString(strings.Repeat(p[0].(string), int(p[1].(float64))))
	}
	return b.String()
}

func readHostile(t testing.TB) []hostile {
	data, err := os.ReadFile("testdata/hostile.json")
	require.NoError(t, err)
	var list []hostile
	require.NoError(t, json.Unmarshal(data, &list))
	require.Greater(t, len(list), 130)
	return list
}

// hostileEnvs are environments that make the most work: texts and lists as long as they can be,
// equal up to the end.
func hostileEnvs() []*Env {
	long := func(end string) string { return strings.Repeat("a", 3*maxTextValue) + end }
	worst := passing()
	worst.Item.Key, worst.Item.EPC, worst.Item.Serial = long("k"), long("e"), long("s")
	worst.Zone = Zone{ID: long("i"), Name: long("n"), Kind: long("k"), Storey: long("f")}
	worst.Product.Name, worst.Product.SKU = long("p"), long("q")
	worst.Product.HomeZones = nil
	for i := range 2 * maxListValue {
		worst.Product.HomeZones = append(worst.Product.HomeZones, strings.Repeat("a", maxTextValue-4)+fmt.Sprintf("%04d", i))
	}
	worst.Stock = Stock{Count: 1 << 62, Minimum: -1 << 63, Total: 1<<63 - 1}
	return []*Env{{}, passing(), worst}
}

// hostileResult is what the child reports of one attack.
type hostileResult struct {
	Index    int
	Begun    bool // it is about to be tried
	Refused  bool
	Compile  time.Duration
	Run      time.Duration // the slowest environment, in its fastest of some runs
	Bytes    uint64        // allocated by that run
	RunError string
}

const hostileChild = "RULES_HOSTILE_CHILD"

// TestHostileRules proves that no rule can take the process down: each attack is either refused, or
// every evaluation of it ends within 10 ms and 10 MB. It runs in a process of its own under a
// memory limit, so that a hole shows as a failure with the name of the attack.
func TestHostileRules(t *testing.T) {
	list := readHostile(t)
	if os.Getenv(hostileChild) != "" {
		runHostile(list)
		return
	}
	exe, err := os.Executable()
	require.NoError(t, err)
	command := func(run string) *exec.Cmd {
		return exec.Command("sh", "-c", `ulimit -v 4194304 && exec "$0" "$@"`, exe, "-test.run="+run, "-test.timeout=120s")
	}
	if err := command("^$").Run(); err != nil {
		// The race detector and some systems cannot run under a limit of addresses; the watch below
		// still ends a child that grows.
		command = func(run string) *exec.Cmd { return exec.Command(exe, "-test.run="+run, "-test.timeout=120s") }
	}
	cmd := command("^TestHostileRules$")
	cmd.Env = append(os.Environ(), hostileChild+"=1", "GOMEMLIMIT=512MiB")
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())

	factor := time.Duration(1)
	if raceDetector {
		factor = 20
	}
	done, refused := 0, 0
	current := "none"
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		var r hostileResult
		if json.Unmarshal(lines.Bytes(), &r) != nil {
			continue
		}
		current = list[r.Index].Name
		if r.Begun {
			continue
		}
		done++
		if r.Refused {
			refused++
		}
		require.LessOrEqualf(t, r.Compile, factor*100*time.Millisecond, "%s: compiling", current)
		require.LessOrEqualf(t, r.Run, factor*10*time.Millisecond, "%s: running", current)
		require.LessOrEqualf(t, r.Bytes, uint64(10<<20), "%s: bytes", current)
	}
	require.NoErrorf(t, cmd.Wait(), "the process died or hung at %q: %.2000s", current, stderr.String())
	require.Equal(t, len(list), done)
	t.Logf("%d attacks: %d refused, %d run within bounds", done, refused, done-refused)
	require.Greater(t, refused, len(list)/2)
}

func runHostile(list []hostile) {
	go func() { // ends the process when it grows without end, where no limit of addresses is in force
		for {
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			if m.HeapAlloc > 1<<30 {
				fmt.Fprintln(os.Stderr, "more than 1 GiB in use")
				os.Exit(3)
			}
			time.Sleep(20 * time.Millisecond)
		}
	}()
	report := func(r hostileResult) {
		b, _ := json.Marshal(r)
		fmt.Println(string(b))
	}
	envs := hostileEnvs()
	for i, h := range list {
		report(hostileResult{Index: i, Begun: true})
		r := hostileResult{Index: i, Refused: true}
		for _, about := range []string{event.AboutItem, event.AboutStock, event.AboutZone, "items", "first"} {
			d := &Document{File: "hostile.yaml", text: &doc.Document{Lines: []string{""}}}
			when := field{value: scalar{text: h.text(), line: 1, col: 1, lines: d.text.Lines}}
			text := func(s string) *field { return &field{value: scalar{text: s, line: 1, col: 1, lines: d.text.Lines}} }
			d.rules = []*ruleText{{place: place{1, 1}, fields: map[string]*field{"name": text("attack"),
				"about": text(about), "when": &when}}}
			own := d.rules[0]
			switch about {
			case event.AboutZone:
				own.fields["within"] = text("10m")
			case "items": // as the choice of what a rule about a zone counts
				own.fields["about"], own.fields["items"], own.fields["when"] = text(event.AboutZone), &when, text("items.count > 0")
			case "first": // as both ends of a sequence
				own.fields["about"], own.fields["first"], own.fields["unless"] = text(event.AboutItem), &when, &when
				own.fields["within"] = text("10m")
				delete(own.fields, "when")
			}
			if h.Times > 0 {
				own.fields["when"] = text("site.open or not site.open")
				but := &field{isList: true}
				for range h.Times {
					but.entries = append(but.entries, &ruleText{place: own.place, of: own,
						fields: map[string]*field{"when": &when, "severity": text("urgent")}})
				}
				own.fields[butKey] = but
			}
			var set *Set
			took := time.Hour
			for range 3 { // the clock of a busy machine runs fast now and then
				begin := busy()
				set, _ = Compile(d, Known{})
				if took = min(took, busy()-begin); took < 50*time.Millisecond {
					break
				}
			}
			r.Compile = max(r.Compile, took)
			if set == nil {
				continue
			}
			r.Refused = false
			e := set.NewEvaluator()
			for _, env := range envs {
				best, bytes := time.Hour, uint64(0)
				for range 5 {
					var before, after runtime.MemStats
					runtime.ReadMemStats(&before)
					begin := busy()
					run := e.True
					if about == "first" {
						run = e.First
					}
					_, err := run(set.Rules()[0], env)
					if _, failed := e.Choose(set.Rules()[0], env); failed != nil {
						err = failed
					}
					if about == "items" {
						e.Counts(set.Rules()[0], env)
					}
					best = min(best, busy()-begin)
					runtime.ReadMemStats(&after)
					bytes = after.TotalAlloc - before.TotalAlloc
					if err != nil {
						r.RunError = err.Error()
					}
				}
				r.Run, r.Bytes = max(r.Run, best), max(r.Bytes, bytes)
				_ = e.Why(set.Rules()[0], env)
			}
		}
		report(r)
	}
}

// The YAML parser can't be stopped, so the bounds on a document have to make its worst case short: the
// shapes that take it longest, as large as they may be.
func TestTheDearestDocumentsAreReadSoon(t *testing.T) {
	if raceDetector {
		t.Skip("the race detector makes it many times slower")
	}
	fill := func(head, part string) []byte {
		return []byte(head + strings.Repeat(part, (MaxDocument-len(head)-1)/len(part)))
	}
	for name, c := range map[string]struct {
		head, part string
		most       int // repetitions that the bounds let pass
	}{
		"entries":       {"rules:\n", "- a\n", 74_000},
		"comments":      {"rules:\n", "# a\n- a\n", 29_000},
		"a flow list":   {"rules: [", "a,\n", 74_000},
		"brackets":      {"rules:\n", "- " + strings.Repeat("[", 16) + strings.Repeat("]", 16) + "\n", 4400},
		"single quotes": {"rules: [", "'a',\n", 37_000},
		"continued":     {"rules:\n- a\n", "  b c d e f\n", 74_000},
	} {
		text := fill(c.head, c.part)
		text = text[:min(len(text), len(c.head)+c.most*len(c.part))]
		if strings.HasSuffix(c.head, "[") {
			text = append(text, ']')
		}
		began := busy()
		_, problem := doc.YAML(text, doc.Options{MaxBytes: MaxDocument, Unit: "rule"})
		require.Nil(t, problem, name)
		require.Less(t, busy()-began, time.Second, name) // 0.06 to 0.27 s
	}
}

// busy returns the processor time that this process has used: on a loaded machine the wall clock
// says more about others than about a rule.
func busy() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
