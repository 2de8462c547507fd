//go:build !race

package sheet_test

const manyRowsDivisor = 1
