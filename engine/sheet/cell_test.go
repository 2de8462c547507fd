package sheet_test

import (
	"bytes"
	"fmt"
	"math"
	"math/big"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/sheet"
)

// plain writes one cell as CSV has it.
func plain(t require.TestingT, col sheet.Column, zone *time.Location, c sheet.Cell) string {
	col.Name = "x"
	var out bytes.Buffer
	require.NoError(t, sheet.WriteCSV(&out, sheet.Table{Name: "T", Zone: zone, Columns: []sheet.Column{col},
		Rows: sheet.Rows([]sheet.Cell{c})}, sheet.CSVOptions{}))
	return strings.TrimSuffix(strings.TrimPrefix(out.String(), "x\r\n"), "\r\n")
}

// Amounts are exact, whatever their size: compared with the arithmetic of math/big.
func TestMoneyIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.OneOf(rapid.Int64(), rapid.Int64Range(-1000, 1000), rapid.Just[int64](math.MinInt64)).Draw(t, "smallest")
		places := rapid.IntRange(0, 6).Draw(t, "places")
		unit := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil)
		want := new(big.Rat).SetFrac(big.NewInt(n), unit).FloatString(places)
		require.Equal(t, want, plain(t, sheet.Column{Kind: sheet.KindMoney, Places: places}, nil, sheet.Money(n)))
	})
}

func TestDatesAndTimes(t *testing.T) {
	date, moment := sheet.Column{Kind: sheet.KindDate}, sheet.Column{Kind: sheet.KindTime}
	east := time.FixedZone("", 10*3600)
	late := time.Date(2026, 3, 14, 23, 30, 0, 250_000_000, time.UTC)
	require.Equal(t, "2026-03-14", plain(t, date, nil, sheet.Date(late)))
	require.Equal(t, "2026-03-15", plain(t, date, nil, sheet.Date(late.In(east))), "the day is that of the clock")
	require.Equal(t, "2026-03-14", plain(t, date, east, sheet.Date(late)), "a day does not move with the zone of the table")
	require.Equal(t, "2026-03-14T23:30:00.25Z", plain(t, moment, nil, sheet.Time(late)))
	require.Equal(t, "2026-03-15T09:30:00.25+10:00", plain(t, moment, east, sheet.Time(late)))
	require.Equal(t, "1899-12-31", plain(t, date, nil, sheet.Date(time.Date(1899, 12, 31, 9, 0, 0, 0, time.UTC))))
	for _, c := range []sheet.Cell{sheet.Date(time.Time{}), sheet.Time(time.Time{}), sheet.Text(""), {}} {
		require.True(t, c.Empty())
	}
	require.False(t, sheet.Int(0).Empty())
	require.Equal(t, `""`, plain(t, date, nil, sheet.Cell{}), "a lone empty cell is no empty line")
	require.Equal(t, "a date", fmt.Sprint(sheet.KindDate))
}
