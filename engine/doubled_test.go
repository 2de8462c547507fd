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
		text = strings.Replace(text, `{"id": "`+z+`",`, `{"id": "`+z+`", "storey": "0",`, 1)
	}
	text = strings.Replace(text, `{"id": "shelf-b",`, `{"id": "shelf-b", "storey": "1",`, 1)
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

// That an identity was heard in two places is on record, since it is notified once a day.
func TestADoubledIdentityIsOnRecord(t *testing.T) {
	sh := upstairs(t, doubledRule)
	k := book(1, 1)
	for range 80 {
		sh.read("shelf-a-1", -55, k)
		sh.read("shelf-b-1", -55, k)
		sh.pass(time.Second)
	}
	require.Equal(t, 1, sh.count(event.Doubled))
	rec := records{}
	rec.commit(sh.s)
	require.Equal(t, dumped(sh.s), dumped(rec.load(t, sh.cfg, sh.log)))
	name, _ := k.AppendBinary([]byte(asideDoubled))
	require.NotEmpty(t, rec[[2]string{event.KindAside, string(name)}])
}
