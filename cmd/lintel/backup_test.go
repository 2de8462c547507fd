package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"lintel/api/app"
	"lintel/engine/store/redistest"
)

// A shop is backed up while its server runs, and again from its directory, and each backup is a
// whole shop in another directory.
func TestBackupAndRestore(t *testing.T) {
	dir, backups := t.TempDir(), t.TempDir()
	s := serveShop(t, app.Options{Data: dir}, "")
	s.do("PUT", "/v1/sites/umberhithe/layout", "application/json", crashLayout, 201)
	item := crashItem(1).Hex()
	s.do("POST", "/v1/sites/umberhithe/reads?wait=10s", "application/json",
		`[{"epc":"`+item+`","read_point":"handheld-1","zone":"shelf-a"}]`, 200)
	online, offline := filepath.Join(backups, "online.db"), filepath.Join(backups, "offline.db")

	code, _, bad := call(t, "backup", "--data", dir, offline)
	require.Equal(t, 3, code)
	require.Contains(t, bad, "a server uses this directory: leave out --data")
	code, _, bad = call(t, "backup", "--server", s.app.URL(), "--key", "lk_nobody", online)
	require.Equal(t, 1, code, bad)
	names, err := os.ReadDir(backups)
	require.NoError(t, err)
	require.Empty(t, names, "a backup that failed leaves nothing")

	code, out, bad := call(t, "backup", "--server", s.app.URL(), "--key", s.key, online)
	require.Zero(t, code, bad)
	require.Contains(t, out, "bytes, verified")
	code, _, bad = call(t, "backup", "--server", s.app.URL(), "--key", s.key, online)
	require.Equal(t, 3, code)
	require.Contains(t, bad, "is there already")
	s.stop()
	code, _, bad = call(t, "backup", "--data", dir, offline)
	require.Zero(t, code, bad)

	code, _, bad = call(t, "restore", online, "--data", dir)
	require.Equal(t, 3, code)
	require.Contains(t, bad, "nothing is ever written over it")
	for _, backup := range []string{online, offline} {
		target := filepath.Join(t.TempDir(), "data")
		code, _, bad = call(t, "restore", backup, "--data", target)
		require.Zero(t, code, bad)
		s := serveShop(t, app.Options{Data: target}, s.key)
		require.Contains(t, string(s.do("GET", "/v1/sites/umberhithe/items/"+item, "", "", 200)), `"shelf-a"`)
		s.stop()
	}
	whole, err := os.ReadFile(online)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(online, whole[:len(whole)/2], 0o600))
	target := filepath.Join(t.TempDir(), "data")
	code, _, bad = call(t, "restore", online, "--data", target)
	require.Equal(t, 3, code)
	require.Contains(t, bad, "damaged")
}

func TestARedisStoreHasNoBackupOfItsOwn(t *testing.T) {
	s := serveShop(t, app.Options{Redis: redistest.Start(t).URL()}, "")
	defer s.stop()
	code, _, bad := call(t, "backup", "--server", s.app.URL(), "--key", s.key, filepath.Join(t.TempDir(), "x"))
	require.Equal(t, 1, code)
	require.Contains(t, bad, "back up Redis")
}

func TestCommandsThatReadMakeNoStore(t *testing.T) {
	dir := t.TempDir()
	for _, args := range [][]string{
		{"key", "list", "--data", "TYPO"},
		{"key", "revoke", "boss", "--data", "TYPO"},
		{"backup", "--data", "TYPO", filepath.Join(dir, "x")},
		{"move", "--from-data", "TYPO", "--to-data", filepath.Join(dir, "new")},
	} {
		for i, a := range args {
			if a == "TYPO" {
				args[i] = filepath.Join(dir, "typo")
			}
		}
		code, _, bad := call(t, args...)
		require.Equal(t, 3, code, args)
		require.Contains(t, bad, "there is no store here", args)
		names, err := os.ReadDir(dir)
		require.NoError(t, err)
		require.Empty(t, names, args)
	}
	redis := redistest.Start(t)
	code, _, bad := call(t, "key", "list", "--redis", redis.URL())
	require.Equal(t, 3, code)
	require.Contains(t, bad, "holds no data of Lintel")
	require.Zero(t, redis.Client(t).DBSize(t.Context()).Val())
}

func TestADamagedStoreEndsInOneSentence(t *testing.T) {
	dir := t.TempDir()
	code, _, bad := call(t, "key", "add", "boss", "--scope", "admin", "--data", dir)
	require.Zero(t, code, bad)
	require.NoError(t, os.Truncate(filepath.Join(dir, "lintel.db"), 8<<10))
	code, _, bad = call(t, "serve", "--data", dir, "--listen", "127.0.0.1:0")
	require.Equal(t, 3, code)
	require.Equal(t, 1, strings.Count(strings.TrimSpace(bad), "\n")+1, bad)
	require.Contains(t, bad, "the store is damaged: restore it from a backup (lintel restore)")
}
