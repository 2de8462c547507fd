package main

import (
	"bytes"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestLogsNameTheUnit(t *testing.T) {
	var b bytes.Buffer
	log := slog.New(slog.NewJSONHandler(&b, &slog.HandlerOptions{ReplaceAttr: logText}))
	log.Info("site loaded", "took", 140*time.Millisecond, slog.Group("last", "pause", 2*time.Second))
	require.Contains(t, b.String(), `"took":"140ms","last":{"pause":"2s"}`)
}
