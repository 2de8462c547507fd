package cases_test

import (
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/engine/cases"
)

// What the core makes of a shop, in stories: each rules file of testdata/stories with the cases beside
// it. go test ./engine/cases -run Stories -rewrite writes their traces.
func TestStories(t *testing.T) {
	files, err := filepath.Glob("testdata/stories/*_cases.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, name := range files {
		ruleFile := strings.TrimSuffix(name, "_cases.yaml") + ".yaml"
		if *rewrite {
			_, err := cases.RunFile(ruleFile, name, cases.Context{Rewrite: true})
			require.NoError(t, err)
		}
		cases.Test(t, ruleFile)
	}
}
