package demo

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/event"
)

func TestRow(t *testing.T) {
	var b bytes.Buffer
	p := &page{out: &b}
	p.row("10:00:00", "ALERT", red, strings.Repeat("word ", 20)+"end", plain)
	require.Equal(t, "10:00:00  ALERT     "+strings.TrimSpace(strings.Repeat("word ", 16))+"\n"+strings.Repeat(" ", 20)+
		"word word word word end\n", b.String())
}

// Lines keep to their width wherever a blank lets them, and lose nothing but blanks.
func TestWrap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		words := rapid.SliceOfN(rapid.StringMatching(`[a-zéß·]{1,12}`), 1, 40).Draw(t, "words")
		width := rapid.IntRange(12, 60).Draw(t, "width")
		parts := wrap(strings.Join(words, " "), width)
		for _, part := range parts {
			require.LessOrEqual(t, utf8.RuneCountInString(part), width)
		}
		require.Equal(t, words, strings.Fields(strings.Join(parts, " ")))
	})
}

func TestNumber(t *testing.T) {
	for n, want := range map[int]string{0: "0", 7: "7", 999: "999", 1000: "1,000", 1234567: "1,234,567"} {
		require.Equal(t, want, number(n))
	}
}

func TestReason(t *testing.T) {
	why := json.RawMessage(`{"text":"zone.kind == \"exit\" and not item.paid and stock.count < stock.minimum","value":true,"parts":[
		{"text":"zone.kind == \"exit\"","value":true,"names":[{"name":"zone.kind","value":"exit"}]},
		{"text":"not item.paid","value":true,"parts":[{"text":"item.paid","value":false,"names":[{"name":"item.paid","value":false}]}]},
		{"text":"stock.minimum > stock.count","value":true,"names":[{"name":"stock.count","value":1},
			{"name":"stock.minimum","value":3}]}]}`)
	require.Equal(t, `zone.kind == "exit" true · item.paid false · stock.minimum > stock.count true (3, 1)`,
		strings.ReplaceAll(reason(why), hardBlank, " "))
	require.Equal(t, "not recorded", reason(nil))
}

func TestShorter(t *testing.T) {
	w, err := newWords()
	require.NoError(t, err)
	c := &console{words: w}
	p := w.products.At(0)
	a := &event.AlertView{GTIN: event.GTINText(p.GTIN), Say: p.Name + " passed Street door"}
	require.Equal(t, []string{"Tin " + p.Name, "other"}, c.shorter([]string{"Tin " + p.Name + " passed Street door", "other"}, a))
	a.Say = "no title here"
	require.Equal(t, []string{"x title here"}, c.shorter([]string{"x title here"}, a))
}
