package engine

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/rules"
)

// survey returns how many subjects a rule is true of now, and its first examples.
func (sh *shop) survey(text, rule string) *Survey {
	sh.t.Helper()
	set, found := rules.Check("rules", []byte(text), rules.Known{})
	require.NotNil(sh.t, set, "%v", found)
	v, ok := NewSurvey(set.ForSite("umberhithe"), rule)
	require.True(sh.t, ok)
	before := sh.s.Digest()
	for sh.s.Survey(v) {
	}
	require.Equal(sh.t, before, sh.s.Digest(), "a survey changes nothing")
	return v
}

// What a survey finds is what a live rule raises when the same facts come in.
func TestSurveyFindsWhatALiveRuleRaises(t *testing.T) {
	const text = `rules:
  - {name: on-shelf, when: zone.id == "shelf-a" and item.serial != "", say: "{item.serial} at {zone.name}"}
  - {name: few, about: stock, when: stock.has_minimum and stock.count < stock.minimum}
  - {name: gone, about: reader, when: cause == "silent"}
  - {name: came, when: cause == "arrived"}
  - {name: poor, about: count, when: count.missing > 0}
  - {name: off, when: item.present, mode: off}
`
	sh := newShop(t, text)
	for n := range 5 {
		sh.shelve("shelf-a", book(1, n+1))
	}
	sh.shelve("shelf-b", book(2, 1))
	sh.read("tables-1", -50, book(2, 2))
	sh.pass(15 * time.Minute)
	raised := map[string]int{}
	for _, a := range sh.s.LiveAlerts() {
		raised[a.Rule]++
	}
	for _, rule := range []string{"on-shelf", "few", "gone"} {
		v := sh.survey(text, rule)
		require.Equal(t, raised[rule], v.Count, rule)
		require.Len(t, v.Examples, min(raised[rule], MaxExamples), rule)
		require.Zero(t, v.Failed)
		require.Equal(t, v.Of, v.Looked)
		require.NotZero(t, v.Count, rule)
	}
	v := sh.survey(text, "on-shelf")
	require.Equal(t, Example{Item: "(01)09521234000013(21)1", GTIN: 9521234000013, Zone: "shelf-a", Say: "1 at Shelf A"}, v.Examples[0])
	set, _ := rules.Check("rules", []byte(text), rules.Known{})
	for _, rule := range []string{"came", "poor", "off", "none"} {
		_, ok := NewSurvey(set, rule)
		require.False(t, ok, rule)
	}
}

// One slice of the dearest rule that is allowed looks at few items, so that the site can go on.
func TestSurveySlicesByWork(t *testing.T) {
	sh := newShop(t, "rules: []\n")
	for n := range 300 {
		sh.shelve("shelf-a", book(1, n+1))
	}
	dear := "rules:\n  - name: dear\n    when: |\n      item.present and all(1..1000, # - 9000 != at.hour and # - " +
		"8000 != at.minute and # + 7000 != at.hour)\n"
	set, found := rules.Check("rules", []byte(dear), rules.Known{})
	require.NotNil(t, set, "%v", found)
	v, _ := NewSurvey(set, "dear")
	slices := 1
	for sh.s.Survey(v) {
		slices++
	}
	require.Equal(t, 300, v.Count)
	require.Greater(t, slices, 300*set.Rule("dear").Cost()/(2*sliceWork))
	require.Greater(t, slices, 5)
}
