package redisstore

import (
	"bytes"
	"context"
	"io"
	"net"
	"sync/atomic"
	"testing"

	"github.com/redis/go-redis/v9"
	"github.com/stretchr/testify/require"

	"lintel/engine/store"
	"lintel/engine/store/redistest"
)

// loser makes connections that lose the reply to one write command when they are told to.
type loser struct{ armed atomic.Bool }

func (l *loser) dial(ctx context.Context, network, addr string) (net.Conn, error) {
	c, err := (&net.Dialer{}).DialContext(ctx, network, addr)
	if err != nil {
		return nil, err
	}
	return &losing{Conn: c, loser: l}, nil
}

type losing struct {
	net.Conn
	loser *loser
	wrote atomic.Bool // a write command whose reply is still to come
}

func (c *losing) Write(p []byte) (int, error) {
	for _, command := range []string{"xadd", "evalsha"} {
		if bytes.Contains(p, []byte(command)) {
			c.wrote.Store(true)
		}
	}
	return c.Conn.Write(p)
}

func (c *losing) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	if n > 0 && c.wrote.Swap(false) && c.loser.armed.CompareAndSwap(true, false) {
		_ = c.Close()
		return 0, io.EOF
	}
	return n, err
}

// TestNothingIsSentTwiceAfterALostReply checks the promise of the package comment on every sort of
// write: the server did it, the reply was lost, and the call fails once instead of being tried
// again behind the caller's back. The clients here are made to try again.
func TestNothingIsSentTwiceAfterALostReply(t *testing.T) {
	server, nodes := redistest.Start(t), redistest.Cluster(t)
	var l loser
	for _, tt := range []struct {
		name   string
		url    string
		client redis.UniversalClient
	}{
		{"single", server.URL(), redis.NewClient(&redis.Options{Addr: server.Addr, Dialer: l.dial, MaxRetries: 3})},
		{"cluster", nodes.URL(), redis.NewClusterClient(&redis.ClusterOptions{Addrs: []string{nodes.Servers[0].Addr},
			Dialer: l.dial, MaxRetries: 3})},
	} {
		t.Run(tt.name, func(t *testing.T) {
			ctx := t.Context()
			defer tt.client.Close()
			direct := open(t, tt.url)
			useEverything(t, direct) // the servers know the scripts now
			const site = "quay-7"
			_, err := direct.Append(ctx, site, entry("0"), entry("0")) // and so does the one of this site
			require.NoError(t, err)
			require.NoError(t, direct.Commit(ctx, site, store.Commit{Loose: true}))
			s, err := New(ctx, tt.client, Options{})
			require.NoError(t, err)
			defer s.Close()

			lose := func(what string, call func() error) {
				t.Helper()
				require.NoError(t, s.Ping(ctx))
				l.armed.Store(true)
				err := call()
				require.False(t, l.armed.Swap(false), "%s: no reply was lost", what)
				require.Error(t, err, what)
				require.NotErrorIs(t, err, store.ErrConflict, "that would say that nothing was changed")
			}
			lose("append", func() error { _, err := s.Append(ctx, site, entry("a")); return err })
			lose("append of two", func() error { _, err := s.Append(ctx, site, entry("b"), entry("c")); return err })
			lose("pipeline", func() error {
				var batch []*call
				for range 3 {
					batch = append(batch, newCall(site, []store.NewEntry{entry("d")}))
				}
				s.send(ctx, batch)
				return batch[0].err
			})
			lose("commit", func() error {
				return s.Commit(ctx, site, store.Commit{Next: 8, Writes: []store.Record{{Kind: "item", Key: "x"}}})
			})
			lose("document", func() error { _, err := store.PutDocument(ctx, s, store.Document{Name: site}, 0); return err })
			lose("documents", func() error {
				return s.PutDocuments(ctx, []store.DocumentPut{{Document: store.Document{Name: site}, Expect: 1},
					{Document: store.Document{Name: site + "/b"}}})
			})

			cursor, newest, err := direct.Cursor(ctx, site)
			require.NoError(t, err)
			require.Equal(t, [2]store.Seq{8, 8}, [2]store.Seq{cursor, newest})
			require.Equal(t, "1", direct.client.HGet(ctx, kindsKey(site), "item").Val(), "one commit")
			versions, err := direct.DocumentVersions(ctx, site)
			require.NoError(t, err)
			require.Len(t, versions, 2)
			versions, err = direct.DocumentVersions(ctx, site+"/b")
			require.NoError(t, err)
			require.Len(t, versions, 1)
		})
	}
}
