package main

import (
	"net"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestReadmePastes runs the shell lines of README's first hour as they stand, in the root of the tree.
// Only where things are is changed: the binary, the data and the port.
func TestReadmePastes(t *testing.T) {
	for _, tool := range []string{"bash", "curl", "go"} {
		if _, err := exec.LookPath(tool); err != nil && os.Getenv("LINTEL_REQUIRE_TOOLS") == "" {
			t.Skip(err)
		}
	}
	page, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	var script strings.Builder
	script.WriteString("set -e\ntrap 'kill $!; wait' EXIT\n")
	for _, block := range regexp.MustCompile("(?s)```sh\n(.*?)```").FindAllStringSubmatch(string(page), -1) {
		script.WriteString(block[1])
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, l.Close())
	dir, addr := t.TempDir(), l.Addr().String()
	bin := dir + "/lintel"
	pasted := strings.NewReplacer("./data", dir+"/data", "-o lintel", "-o "+bin, "./lintel", bin, "127.0.0.1:8470", addr).Replace(script.String())
	require.Contains(t, pasted, "put /v1/rules")
	shell := exec.CommandContext(t.Context(), "bash", "-c", pasted)
	shell.Dir = "../.."
	shell.Env = append(os.Environ(), "LINTEL_LISTEN="+addr, "LINTEL_SERVER=http://"+addr)
	shell.WaitDelay = 10 * time.Second
	out, err := shell.CombinedOutput()
	require.NoError(t, err, "%s", out)
	require.Contains(t, string(out), `"zone":"shelf-a"`, "the read became a fact")
	require.Contains(t, string(out), "(01)09521234000006(21)2", "the count has differences")
}
