package export

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// manualTables writes the tables as the manual has them.
func manualTables() string {
	kinds := [...]string{"text", "integer", "number", "amount", "boolean", "time", "JSON"}
	var b strings.Builder
	for _, t := range []*table{&itemsTable, &stockTable, &countsTable, &alertsTable, &factsTable, &productsTable, &syncTable, &metaTable} {
		fmt.Fprintf(&b, "//\n//\t%s: %s\n", t.sqlName(), t.about)
		for _, c := range t.columns {
			mark := ""
			switch {
			case c.key:
				mark = "key"
			case c.csvOnly:
				mark = "csv"
			}
			fmt.Fprintf(&b, "//\t  %-16s %-8s %-4s %s\n", c.name, kinds[c.kind], mark, c.about)
		}
	}
	return b.String()
}

// The manual in doc.go lists the tables as they are made.
func TestManualListsTheTables(t *testing.T) {
	text, err := os.ReadFile("doc.go")
	require.NoError(t, err)
	head, rest, ok := strings.Cut(string(text), "allow, and show this to whoever is shown alerts.\n")
	require.True(t, ok)
	if *rewrite {
		out := head + "allow, and show this to whoever is shown alerts.\n" + manualTables() + "package export\n"
		require.NoError(t, os.WriteFile("doc.go", []byte(out), 0o644))
		return
	}
	require.Equal(t, manualTables()+"package export\n", rest, "run go test ./engine/export -run Manual -rewrite")
}
