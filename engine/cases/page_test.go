package cases

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/rules"
)

// TestExamplesOfThePage runs every example of rules/CASES.md under the starter rules, as lintel check
// does. The first block is a whole file; those that begin with a case are played with its head.
func TestExamplesOfThePage(t *testing.T) {
	page, err := os.ReadFile("../../rules/CASES.md")
	require.NoError(t, err)
	src, err := ReadFile("../../rules/starter.yaml")
	require.NoError(t, err)
	book, diagnostics := NewBook("starter.yaml", src, rules.Known{})
	require.NotNil(t, book, "%v", diagnostics)

	var file strings.Builder
	for i, block := range regexp.MustCompile("(?ms)^```yaml\n(.*?)^```$").FindAllStringSubmatch(string(page), -1) {
		if i == 0 {
			require.Contains(t, block[1], "\ncases:\n")
		} else {
			require.True(t, strings.HasPrefix(block[1], "- name: "), block[1])
		}
		for line := range strings.Lines(block[1]) {
			if i > 0 {
				file.WriteString("  ")
			}
			file.WriteString(line)
		}
	}
	f, diagnostics := Parse("CASES.md", []byte(file.String()), Context{})
	require.Empty(t, diagnostics)
	rep := Run(f, book)
	require.True(t, rep.OK(), rep.String())

	// Each word of the language is in an example, not in the text alone.
	for _, words := range [][]string{
		stepWords(), patternKeys, headKeys[:4], countVerbs, resultKeys,
		{"named", "missing_after", "ago", "until", "trace"},
	} {
		for _, word := range words {
			require.Regexp(t, `(?m)^([ -].*[ {])?`+word+`:|count: `+word+`$`, file.String(), "no example has %s", word)
		}
	}
}
