package cases_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/cases"
)

// The starter rules do what they say, and every one of them has a case for and a case against it.
func TestStarterRules(t *testing.T) {
	for _, rep := range cases.Test(t, "../../rules/starter.yaml") {
		require.Empty(t, rep.Untried, "write cases for these rules into rules/starter_cases.yaml")
		require.Equal(t, len(rep.Results), rep.Passed+rep.Failed)
	}
}
