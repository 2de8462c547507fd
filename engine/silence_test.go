package engine

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestLooksGrowBySixteenths(t *testing.T) {
	last, next := looksAround(-5)
	require.Equal(t, []int64{0, firstLook}, []int64{last, next})
	looks := 0
	for silent := int64(firstLook); silent <= 24*60*60*1000; looks++ {
		last, next = looksAround(silent)
		require.Equal(t, silent, last)
		require.LessOrEqual(t, next-last, last/16)
		below, _ := looksAround(next - 1)
		require.Equal(t, last, below)
		silent = next
	}
	require.Less(t, looks, 150)
}
