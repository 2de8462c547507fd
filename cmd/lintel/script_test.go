package main

import (
	"context"
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain registers the command, so that scripts in testdata run it without building it again.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"lintel": func() {
			os.Exit(run(streams{context.Background(), os.Stdin, os.Stdout, os.Stderr}, os.Args[1:]))
		},
	})
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "testdata", Cmds: scriptCommands})
}
