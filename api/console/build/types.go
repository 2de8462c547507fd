package main

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
)

// What types are made and checked by. npx fetches them when they are run: they are in no binary, and not in
// what -check compares. TypeScript in Go needs no node, but building it takes minutes and 2.4 GB of memory.
const (
	typesMaker = "openapi-typescript@7.13.0"
	typeScript = "typescript@5.9.3"
)

// typesHead begins src/lib/openapi.ts, with the SHA-256 of the document that it was made from.
const typesHead = "// Made by go run ./api/console/build -types from the OpenAPI document with the SHA-256\n// "

// documentFile is the interface's OpenAPI document, as a test of package api writes it.
func documentFile(dir string) string { return filepath.Join(dir, "..", "testdata", "openapi.json") }

// writeTypes makes src/lib/openapi.ts.
func writeTypes(dir string) error {
	file := documentFile(dir)
	text, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	cmd := exec.Command("npx", "--yes", "--package", typeScript, "--package", typesMaker, "openapi-typescript", file)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		return fmt.Errorf("%s: %w", typesMaker, err)
	}
	sum := sha256.Sum256(text)
	out = comments.ReplaceAll(out, nil) // the document has them; without them it is less than half as long
	return os.WriteFile(filepath.Join(dir, "src", "lib", "openapi.ts"), append([]byte(typesHead+hex.EncodeToString(sum[:])+"\n"), out...), 0o644)
}

// comments are those of the types.
var comments = regexp.MustCompile(`(?ms)^[ \t]*/\*\*.*?\*/\n`)

// typesAreFresh returns an error if src/lib/openapi.ts was made from another document.
func typesAreFresh(dir string) error {
	document, err := os.ReadFile(documentFile(dir))
	if err != nil {
		return err
	}
	types, err := os.ReadFile(filepath.Join(dir, "src", "lib", "openapi.ts"))
	if err != nil {
		return err
	}
	sum := sha256.Sum256(document)
	if !strings.HasPrefix(string(types), typesHead+hex.EncodeToString(sum[:])+"\n") {
		return fmt.Errorf("src/lib/openapi.ts was made from another OpenAPI document; run go run ./api/console/build -types")
	}
	return nil
}

// typeOptions are the compiler's options: as strict as they go.
const typeOptions = `{"compilerOptions": {
	"strict": true, "noUncheckedIndexedAccess": true, "noImplicitOverride": true, "noFallthroughCasesInSwitch": true,
	"exactOptionalPropertyTypes": false, "noUnusedLocals": true, "noUnusedParameters": true, "noEmit": true, "skipLibCheck": true,
	"target": "es2022", "module": "esnext", "moduleResolution": "bundler", "lib": ["es2023", "dom", "dom.iterable"],
	"jsx": "react-jsx", "jsxImportSource": "preact", "types": []
}, "include": ["src"]}`

// checkTypes checks the types of the sources.
func checkTypes(dir string) error {
	packages, err := readPackages(filepath.Join(dir, "npm"))
	if err != nil {
		return err
	}
	tmp, err := workspace(dir, packages)
	if err != nil {
		return err
	}
	defer os.RemoveAll(tmp)
	if err := os.WriteFile(filepath.Join(tmp, "tsconfig.json"), []byte(typeOptions), 0o644); err != nil {
		return err
	}
	cmd := exec.Command("npx", "--yes", "--package", typeScript, "tsc", "--pretty", "false", "-p", tmp)
	cmd.Dir, cmd.Stdout, cmd.Stderr = tmp, os.Stdout, os.Stderr
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("the types of the sources are wrong: %w", err)
	}
	return nil
}
