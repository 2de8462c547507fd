package cases_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/cases"
)

// The starter rules do what they say, and every one of them has a case for and a case against it.
func TestStarterRules(t *testing.T) {
	for _, rep := range cases.Test(t, "../../rules/starter.yaml") {
		require.NotEmpty(t, rep.Rules)
		for _, c := range rep.Rules {
			require.NotZero(t, c.Raised, "write a case into rules/starter_cases.yaml that expects an alert of %s", c.Rule)
			require.NotZero(t, c.Silent, "write a case into rules/starter_cases.yaml that says never: [%s]", c.Rule)
		}
	}
}

// What keeps alerts from being noise, told in the language of cases: one rule for each means.
func TestNoiseCases(t *testing.T) { cases.Test(t, "../../testdata/noise.yaml") }

func TestChoiceCases(t *testing.T) { cases.Test(t, "../../testdata/choice.yaml") }
