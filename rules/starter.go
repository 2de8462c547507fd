package rules

import (
	"bytes"
	_ "embed"
)

//go:embed starter.yaml
var starterRules []byte

// Starter returns the rule document that a shop starts with.
func Starter() []byte { return bytes.Clone(starterRules) }
