package hours

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestPeriods(t *testing.T) {
	for text, want := range map[string]time.Duration{
		"0": 0, "3s": 3 * time.Second, "20m": 20 * time.Minute, " 1h30m ": 90 * time.Minute, "2d": 48 * time.Hour,
		"1d1s":  24*time.Hour + time.Second,
		"1d12h": 36 * time.Hour, "250ms": time.Second / 4, "-5s": -5 * time.Second,
	} {
		got, err := ParsePeriod(text)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
	for _, text := range []string{"", "3", "s", "d", "-1d", "1d2d", "1.5d", "99999999d", "1 h", "soon"} {
		_, err := ParsePeriod(text)
		require.ErrorContains(t, err, "is not a length of time", text)
	}
	for d, want := range map[time.Duration]string{
		10 * time.Minute: "10m", 90 * time.Minute: "1h30m", 2 * time.Hour: "2h", 700 * time.Millisecond: "700ms",
		3 * time.Second: "3s", 61 * time.Second: "1m1s",
		48 * time.Hour: "2d", 24 * time.Hour: "24h", 0: "0s",
	} {
		require.Equal(t, want, FormatPeriod(d))
	}
	_, reason, hint := PeriodWithin("8d", 0, 7*24*time.Hour)
	require.Equal(t, "8d is out of range: from 0s to 7d", reason+hint)
}
