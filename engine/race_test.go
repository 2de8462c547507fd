//go:build race

package engine

import "flag"

// The race detector makes the properties of whole days ten times as slow, and the core has no
// goroutines: fewer days are drawn then. A run without it draws a hundred.
func init() { flagDefault("rapid.checks", "30") }

func flagDefault(name, value string) {
	if f := flag.Lookup(name); f != nil {
		f.DefValue = value
		_ = f.Value.Set(value)
	}
}
