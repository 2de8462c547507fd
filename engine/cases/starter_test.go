package cases_test

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/cases"
	"lintel/rules"
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

// The page about rules names every starter rule, no other, and marks those that are only watched.
func TestStarterRulesAreOnThePage(t *testing.T) {
	page, err := os.ReadFile("../../rules/README.md")
	require.NoError(t, err)
	_, part, _ := strings.Cut(string(page), "## Rules to start with\n")
	part, _, _ = strings.Cut(part, "\n## ")
	_, part, _ = strings.Cut(part, "|---|---|\n")
	set, diagnostics := rules.Check("starter.yaml", rules.Starter(), rules.Known{})
	require.NotNil(t, set, "%v", diagnostics)
	seen := make(map[string]bool)
	for _, m := range regexp.MustCompile("`([a-z]+-[a-z-]+)`( \\*)?").FindAllStringSubmatch(part, -1) {
		r := set.Rule(m[1])
		require.NotNil(t, r, "there is no starter rule %s", m[1])
		require.Equal(t, r.Mode == rules.ModeWatch, m[2] != "", r.Name)
		seen[r.Name] = true
	}
	for _, r := range set.Rules() {
		require.True(t, seen[r.Name], "rules/README.md does not name %s", r.Name)
	}
}

// What keeps alerts from being noise, told in the language of cases: one rule for each means.
func TestNoiseCases(t *testing.T) { cases.Test(t, "../../testdata/noise.yaml") }

func TestChoiceCases(t *testing.T) { cases.Test(t, "../../testdata/choice.yaml") }
