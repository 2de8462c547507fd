//go:build race

package sheet_test

// The race detector makes everything some ten times slower; it does not need many rows to see a
// race.
const manyRowsDivisor = 20
