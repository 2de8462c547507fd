package app

import (
	"context"
	"database/sql"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine"
	"lintel/engine/sim"
)

// A server that is told to export does so from its start, on demand, and until its end.
func TestServerExports(t *testing.T) {
	dir := t.TempDir()
	dsn := "sqlite:" + filepath.Join(dir, "shop.db")
	ctx := context.Background()
	a, err := New(ctx, Options{
		Data: filepath.Join(dir, "data"), Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler),
		Export: ExportOptions{Dir: filepath.Join(dir, "out"), SQL: dsn},
	})
	require.NoError(t, err)
	require.Empty(t, a.opt.Export.SQL, "the DSN may hold a password")
	require.NoError(t, a.Start(ctx))
	stopped := false
	stop := func() {
		if !stopped {
			stopped = true
			require.NoError(t, a.Stop(ctx))
		}
	}
	defer stop()
	require.Eventually(t, func() bool {
		_, err := os.Stat(filepath.Join(dir, "out", "manifest.json"))
		return err == nil
	}, time.Minute, 10*time.Millisecond)

	_, err = a.Runner.SaveDocument(ctx, engine.LayoutDocument("umberhithe"), sim.Layout(), "test", "", -1)
	require.NoError(t, err)
	m, err := a.ExportNow(ctx)
	require.NoError(t, err)
	require.FileExists(t, filepath.Join(dir, "out", "umberhithe", "items.csv"))
	require.Contains(t, m.Notice, "not proof")
	require.NoError(t, a.ResyncSQL())

	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "shop.db"))
	require.NoError(t, err)
	defer db.Close()
	require.Eventually(t, func() bool {
		var sites int
		err := db.QueryRow("SELECT count(*) FROM lintel_sync WHERE site = 'umberhithe' AND todo = 0").Scan(&sites)
		return err == nil && sites == 1
	}, time.Minute, 20*time.Millisecond)
	stop()
}

func TestServerWithoutExports(t *testing.T) {
	ctx := context.Background()
	a, err := New(ctx, Options{Data: t.TempDir(), Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	defer func() { require.NoError(t, a.Stop(ctx)) }()
	_, err = a.ExportNow(ctx)
	require.ErrorIs(t, err, ErrNoExport)
	require.ErrorIs(t, a.ResyncSQL(), ErrNoSQL)

	for _, bad := range []ExportOptions{{SQL: "mysql:x"}, {Dir: "x", Every: time.Millisecond}} {
		_, err := New(ctx, Options{Data: t.TempDir(), Export: bad})
		require.Error(t, err)
	}
}
