package runner_test

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/engine/store/memory"
	"lintel/engine/store/storetest"
)

func document(name, body string, expect int) store.DocumentPut {
	return store.DocumentPut{Document: store.Document{Name: name, By: "mira", Note: "together", Body: []byte(body)}, Expect: expect}
}

func pins(t *testing.T, r *runner.Runner, site string) (pins map[string]int, lay *layout.Layout, seq uint64) {
	s, err := r.Site(t.Context(), site)
	require.NoError(t, err)
	pins = make(map[string]int)
	require.NoError(t, s.View(t.Context(), func(st *engine.State) error {
		for _, p := range st.Config().Pins {
			if p.Doc != engine.Incarnation {
				pins[p.Doc] = p.Version
			}
		}
		lay, seq = st.Config().Layout, st.Seq()
		return nil
	}))
	return pins, lay, seq
}

func TestDocumentsTakeEffectTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		r := start(t, st, &outbox{})
		defer r.Stop()
		setUp(t, r)
		settle(t, r, st)
		_, _, before := pins(t, r, "umberhithe")
		pier := strings.ReplaceAll(layoutJSON, "umberhithe", "pier")
		puts := []store.DocumentPut{
			document("rules", rulesYAML+"\n", 1), document("layout/umberhithe", layoutJSON+"\n", 1), document("layout/pier", pier, 0), document("channels", "{}", 0),
			{Document: store.Document{Name: "products"}, Expect: 1, Keep: true},
		}
		require.NoError(t, r.SaveDocuments(t.Context(), puts, "mira"))
		settle(t, r, st)
		have, _, after := pins(t, r, "umberhithe")
		require.Equal(t, map[string]int{"rules": 2, "layout/umberhithe": 2, "products": 1}, have)
		require.Equal(t, before+1, after, "one entry tells of all")
		require.Eventually(t, func() bool {
			have, _, _ := pins(t, r, "pier")
			return have["layout/pier"] == 1 && have["rules"] == 2 && have["products"] == 1
		}, 30*time.Second, 5*time.Millisecond)

		require.ErrorIs(t, r.SaveDocuments(t.Context(), puts, "mira"), store.ErrConflict)
		bad := []store.DocumentPut{document("rules", rulesYAML, 2), document("layout/umberhithe", "{", 2)}
		require.ErrorContains(t, r.SaveDocuments(t.Context(), bad, "mira"), "document layout/umberhithe")
		d, err := st.GetDocument(t.Context(), "rules", 0)
		require.NoError(t, err)
		require.Equal(t, 2, d.Version)
		require.Equal(t, "mira", d.By)
		require.Equal(t, "together", d.Note)
		require.WithinDuration(t, time.Now(), d.At, time.Minute)
	})
}

// A caller that goes away, and a store that fails now and then, must not keep from the sites what
// is stored already.
func TestSitesAreToldOfWhatIsStored(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		inner := memory.Open()
		defer inner.Close()
		r := start(t, inner, &outbox{})
		defer r.Stop()
		setUp(t, r)
		settle(t, r, inner)
		seed := storetest.Seed(t)
		faulty := storetest.NewFaulty(inner, seed, storetest.Faults{Before: 0.2, After: 0.2})
		writer := runner.New(runner.Options{Store: faulty, Node: "writer"}) // works no site
		version := 1
		for range 20 {
			err := writer.SaveDocuments(t.Context(), []store.DocumentPut{document("rules", rulesYAML, version)}, "mira")
			d, got := inner.GetDocument(t.Context(), "rules", 0)
			require.NoError(t, got)
			if err == nil {
				require.Equal(t, version+1, d.Version)
				require.Eventually(t, func() bool { have, _, _ := pins(t, r, "umberhithe"); return have["rules"] == version+1 }, 30*time.Second, time.Millisecond)
			}
			version = d.Version
		}
		writer.Stop()
	})
}

func TestASiteNeverGoesBackToAnOlderDocument(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		r := start(t, st, &outbox{})
		defer r.Stop()
		setUp(t, r)
		for range 2 {
			_, err := r.SaveDocument(t.Context(), "rules", []byte(rulesYAML), "test", "", -1)
			require.NoError(t, err)
		}
		settle(t, r, st)
		have, lay, _ := pins(t, r, "umberhithe")
		require.Equal(t, 3, have["rules"])
		_, err := r.Append(context.Background(), "umberhithe", &event.Entry{Kind: event.EntryConfig, At: time.Now().UnixMilli(), Config: []event.Pin{{Doc: "rules", Version: 2}, {Doc: "layout/umberhithe", Version: 1}}}, "", "")
		require.NoError(t, err)
		settle(t, r, st)
		have, again, _ := pins(t, r, "umberhithe")
		require.Equal(t, 3, have["rules"])
		require.Equal(t, lay, again)
		require.NotSame(t, lay, again, "the evidence is dropped, as it is when the site is loaded from its journal")
	})
}
