package redisstore

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"github.com/redis/go-redis/v9"
	"github.com/stretchr/testify/require"

	"lintel/engine/store/redistest"
)

const twoFacts = "*2\r\n*2\r\n$3\r\n7-0\r\n*2\r\n$1\r\nd\r\n$4\r\na\r\nb\r\n*2\r\n$3\r\n7-1\r\n*2\r\n$1\r\nd\r\n$0\r\n\r\n"

func TestParseStream(t *testing.T) {
	got, err := parseStream(nil, []byte(twoFacts))
	require.NoError(t, err)
	require.Equal(t, []message{{[]byte("7-0"), []byte("a\r\nb")}, {[]byte("7-1"), []byte{}}}, got)
	got, err = parseStream(nil, []byte("*0\r\n"))
	require.NoError(t, err)
	require.Empty(t, got)
	for i := range len(twoFacts) {
		_, err := parseStream(nil, []byte(twoFacts[:i]))
		require.ErrorIs(t, err, errStream, "cut off after %d bytes", i)
	}
	for _, bad := range []string{twoFacts + "x", "*999999999\r\n", "*-1\r\n", "*1\r\n*2\r\n$-1\r\n", "+OK\r\n", "_\r\n",
		"*1\r\n*2\r\n$3\r\n7-0\r\n*2\r\n$1\r\ne\r\n$1\r\na\r\n",
		"*1\r\n*2\r\n$3\r\n7-0\r\n*4\r\n$1\r\nd\r\n$1\r\na\r\n$1\r\nd\r\n$1\r\na\r\n"} {
		_, err := parseStream(nil, []byte(bad))
		require.ErrorIs(t, err, errStream, bad)
	}
}

// TestParseStreamAgreesWithTheClient compares with the way that go-redis reads the same stream.
func TestParseStreamAgreesWithTheClient(t *testing.T) {
	server := redistest.Start(t)
	s := open(t, server.URL())
	c := server.Client(t)
	for i := range 300 {
		require.NoError(t, c.XAdd(t.Context(), &redis.XAddArgs{Stream: factsKey("umberhithe"), ID: fmt.Sprintf("%d-%d", 1+i/7, i),
			Values: []any{field, bytes.Repeat([]byte{byte(i), '\r', '\n'}, i)}}).Err())
	}
	want, err := c.XRangeN(t.Context(), factsKey("umberhithe"), "5-0", "(40-0", 200).Result()
	require.NoError(t, err)
	got, err := new(stream).read(t.Context(), s.client, factsKey("umberhithe"), "5-0", "(40-0", 200)
	require.NoError(t, err)
	require.Len(t, got, len(want))
	for i := range want {
		require.Equal(t, want[i].ID, string(got[i].id))
		require.Equal(t, want[i].Values[field], string(got[i].data))
	}
}

// TestReadingFollowsMovedSlots moves a site to another node under a client that still believes in
// the old one.
func TestReadingFollowsMovedSlots(t *testing.T) {
	ctx := t.Context()
	nodes := redistest.Cluster(t)
	s := open(t, nodes.URL())
	_, err := s.Append(ctx, "umberhithe", entry("a"), entry("b"))
	require.NoError(t, err)
	admin := nodes.Client(t)
	slot := int(admin.ClusterKeySlot(ctx, journalKey("umberhithe")).Val())
	from, err := admin.MasterForKey(ctx, journalKey("umberhithe"))
	require.NoError(t, err)
	var to *redistest.Server
	for _, n := range nodes.Servers {
		if n.Addr != from.Options().Addr {
			to = n
		}
	}
	toID := to.Client(t).Do(ctx, "cluster", "myid").Val()
	fromID := from.Do(ctx, "cluster", "myid").Val()
	read := func() {
		entries, err := s.Read(ctx, "umberhithe", 0, 10, 0)
		require.NoError(t, err)
		require.Len(t, entries, 2)
	}
	require.NoError(t, to.Client(t).Do(ctx, "cluster", "setslot", slot, "importing", fromID).Err())
	require.NoError(t, from.Do(ctx, "cluster", "setslot", slot, "migrating", toID).Err())
	read()
	keys := from.ClusterGetKeysInSlot(ctx, slot, 100).Val()
	require.NotEmpty(t, keys)
	for _, key := range keys {
		host, port := to.HostPort()
		require.NoError(t, from.Migrate(ctx, host, port, key, 0, 5*time.Second).Err())
	}
	read() // the old node answers ASK
	for _, n := range nodes.Servers {
		require.NoError(t, n.Client(t).Do(ctx, "cluster", "setslot", slot, "node", toID).Err())
	}
	read() // the old node answers MOVED
	results, err := s.Append(ctx, "umberhithe", entry("c"))
	require.NoError(t, err)
	require.EqualValues(t, 3, results[0].Seq)
}

func FuzzParseStream(f *testing.F) {
	f.Add([]byte(twoFacts))
	f.Add([]byte("*0\r\n"))
	f.Add([]byte("*1\r\n*2\r\n$-1\r\n"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		messages, err := parseStream(nil, raw)
		size := 0
		for _, m := range messages {
			size += len(m.id) + len(m.data)
		}
		if err == nil && size > len(raw) {
			t.Fatalf("%d bytes from %d", size, len(raw))
		}
	})
}
