package main

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"lintel/api/app"
	"lintel/api/kit"
)

// scriptCommands are what scripts can do beside running lintel.
var scriptCommands = map[string]func(ts *testscript.TestScript, neg bool, args []string){
	"server": startServer,
	"code":   exitCode,
}

// startServer runs a server on loopback until the script ends: server DIR. It sets LINTEL_SERVER,
// LINTEL_KEY to a key for everything, and LOOKS to one that may only look.
func startServer(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: server DIR")
	}
	ctx := context.Background()
	a, err := app.New(ctx, app.Options{Data: ts.MkAbs(args[0]), Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
	ts.Check(err)
	ts.Check(a.Start(ctx))
	ts.Defer(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		ts.Check(a.Stop(ctx))
	})
	for variable, scope := range map[string]string{"LINTEL_KEY": kit.ScopeAdmin, "LOOKS": kit.ScopeOperate} {
		key, err := kit.MintKey(ctx, a.Store, "script-"+scope, []string{scope}, []string{kit.AllSites}, "test", time.Now())
		ts.Check(err)
		ts.Setenv(variable, key)
	}
	ts.Setenv("LINTEL_SERVER", a.URL())
}

// exitCode runs lintel and checks its exit code, which "! exec" can't tell: code N ARG...
func exitCode(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: code N ARG...")
	}
	err := ts.Exec("lintel", args[1:]...)
	got := 0
	if exit, ok := err.(interface{ ExitCode() int }); ok {
		got = exit.ExitCode()
	} else {
		ts.Check(err)
	}
	if fmt.Sprint(got) != args[0] {
		ts.Fatalf("lintel ended with %d, not %s", got, args[0])
	}
}
