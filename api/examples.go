package api

import (
	_ "embed"
	"encoding/json"
)

//go:embed examples.json
var examplesJSON []byte

// examples are the bodies that the OpenAPI document shows: by operation or webhook, "request" or the
// status of the answer, and media type. A test plays the requests and writes the file.
func examples() (list map[string]map[string]map[string]json.RawMessage) {
	if err := json.Unmarshal(examplesJSON, &list); err != nil {
		panic(err)
	}
	return list
}
