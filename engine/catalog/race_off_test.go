//go:build !race

package catalog_test

const raceDetector = false
