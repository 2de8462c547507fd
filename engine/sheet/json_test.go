package sheet_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/sheet"
)

func TestJSON(t *testing.T) {
	const first = `{"zone":"shelf-a","gtin":"09521234500018","title":"The Harbour ` +
		`Light","expected":3,"share":0.5,"price":9.99,"published":"2026-03-14","seen":"2026-03-14T17:30:05+01:00"}`
	var array, lines bytes.Buffer
	require.NoError(t, sheet.WriteJSON(&array, differences()))
	require.NoError(t, sheet.WriteJSONLines(&lines, differences()))
	require.True(t, strings.HasPrefix(array.String(), "[\n"+first+",\n"), array.String())
	require.True(t, strings.HasPrefix(lines.String(), first+"\n"), lines.String())

	var rows []map[string]any
	require.NoError(t, json.Unmarshal(array.Bytes(), &rows))
	require.Len(t, rows, 3)
	require.Equal(t, "Knots; \"and\" tides,\nvolume 2", rows[1]["title"])
	require.Equal(t, -0.05, rows[1]["price"])
	require.Nil(t, rows[1]["seen"])
	for i, line := range strings.Split(strings.TrimSuffix(lines.String(), "\n"), "\n") {
		var row map[string]any
		require.NoError(t, json.Unmarshal([]byte(line), &row))
		require.Equal(t, rows[i], row)
	}

	for _, write := range []func(*bytes.Buffer, sheet.Table) error{
		func(b *bytes.Buffer, t sheet.Table) error { return sheet.WriteJSON(b, t) },
	} {
		array.Reset()
		require.NoError(t, write(&array, many(0)))
		require.JSONEq(t, "[]", array.String())
	}
	lines.Reset()
	require.NoError(t, sheet.WriteJSONLines(&lines, many(0)))
	require.Empty(t, lines.String())
}

func TestJSONRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, key := rapid.String().Draw(t, "text"), rapid.StringN(1, 8, -1).Draw(t, "key")
		n, x := rapid.Int64().Draw(t, "whole"), rapid.Float64().Draw(t, "number")
		table := sheet.Table{
			Name: "T",
			Columns: []sheet.Column{{Name: "text", Key: "k" + key}, {Name: "whole", Kind: sheet.KindNumber},
				{Name: "number", Kind: sheet.KindNumber}},
			Rows: sheet.Rows([]sheet.Cell{sheet.Text(s), sheet.Int(n), sheet.Float(x)}),
		}
		var out bytes.Buffer
		require.NoError(t, sheet.WriteJSONLines(&out, table))
		d := json.NewDecoder(&out)
		d.UseNumber()
		var row map[string]any
		require.NoError(t, d.Decode(&row))
		if s == "" {
			require.Nil(t, row["k"+key])
		} else {
			require.Equal(t, s, row["k"+key])
		}
		whole, err := row["whole"].(json.Number).Int64()
		require.NoError(t, err)
		require.Equal(t, n, whole)
		number, err := row["number"].(json.Number).Float64()
		require.NoError(t, err)
		require.Equal(t, x, number)
	})
}
