package api

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

var rewriteDocument = flag.Bool("rewrite", false, "write testdata/openapi.json and examples.json anew")

// TestOpenAPIGolden holds the OpenAPI document against the copy that the console's types are made
// from. A change of the interface shows there as a difference to be read.
func TestOpenAPIGolden(t *testing.T) {
	file := filepath.Join("testdata", "openapi.json")
	var text bytes.Buffer
	require.NoError(t, json.Indent(&text, openAPIDocument(), "", " "))
	text.WriteByte('\n')
	if *rewriteDocument {
		require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o755))
		require.NoError(t, os.WriteFile(file, text.Bytes(), 0o644))
	}
	golden, err := os.ReadFile(file)
	require.NoError(t, err)
	require.True(t, bytes.Equal(golden, text.Bytes()), "the interface has changed: run go test ./api -run OpenAPIGolden -rewrite, "+
		"read the difference, then go run ./api/console/build -types and go run ./api/console/build")
}
