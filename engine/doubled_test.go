package engine

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
	"lintel/engine/layout"
)

// upstairs is the shop with shelf B on another floor.
func upstairs(t *testing.T, ruleText string) *shop {
	sh := newShop(t, ruleText)
	text := testLayout
	for _, z := range []string{"front-tables", "shelf-a"} {
		text = strings.Replace(text, `{"id": "`+z+`",`, `{"id": "`+z+`", "floor": "0",`, 1)
	}
	text = strings.Replace(text, `{"id": "shelf-b",`, `{"id": "shelf-b", "floor": "1",`, 1)
	l, err := layout.Parse([]byte(text))
	require.NoError(t, err)
	cfg := *sh.cfg
	cfg.Layout = l
	sh.cfg, sh.s = &cfg, NewMachine("umberhithe", &cfg)
	return sh
}

const doubledRule = `rules:
  - name: heard-twice
    when: cause == "doubled"
    say: "{product.name} is heard at {zone.name} and at {from.name} at the same time"
    send: [systems-team]
`

func TestOneIdentityInTwoPlaces(t *testing.T) {
	sh := upstairs(t, doubledRule)
	k := book(1, 1)
	hear := func(points ...string) {
		for _, p := range points {
			sh.read(p, -55, k)
		}
		sh.pass(time.Second)
	}
	for range 30 {
		hear("shelf-a-1")
	}
	// Carried up the stairs, it is heard here and there, but not in the same seconds for long.
	for range 4 {
		hear("shelf-a-1", "shelf-b-1")
	}
	for range 40 {
		hear("shelf-b-1")
	}
	require.Empty(t, sh.messages(0))
	// A second tag with its identity is down there.
	for range 7 {
		hear("shelf-a-1", "shelf-b-1")
	}
	require.Empty(t, sh.messages(0))
	for range 3 {
		hear("shelf-a-1", "shelf-b-1")
	}
	require.Equal(t, []string{"heard-twice opened > systems-team"}, sh.messages(0))
	require.Equal(t, "The Tide Table is heard at Shelf B and at Shelf A at the same time", sh.chgs[0].Alert.Say)
	for range 60 {
		hear("shelf-a-1", "shelf-b-1")
	}
	n := 0
	for _, f := range sh.facts {
		if f.Cause == event.Doubled {
			n++
		}
	}
	require.Equal(t, 1, n, "once a day is enough")
	rec := records{}
	rec.commit(sh.s)
	require.Equal(t, dumped(sh.s), dumped(rec.load(t, sh.cfg, sh.log)))
	require.NotEmpty(t, rec[[2]string{event.KindAside, doubledName(k)}])

	// Next door on the same floor is no other place.
	sh = upstairs(t, doubledRule)
	for range 60 {
		hear("shelf-a-1", "tables-1")
	}
	require.Empty(t, sh.messages(0))
}
