//go:build race

package rules

const raceDetector = true
