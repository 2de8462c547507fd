package store_test

import (
	"compress/gzip"
	"context"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/redis/go-redis/v9"
	"github.com/stretchr/testify/require"

	"lintel/engine/store"
	"lintel/engine/store/boltstore"
	"lintel/engine/store/redisstore"
	"lintel/engine/store/redistest"
)

// older reads a file that a program of format 1 wrote: a shop with a layout, products, channels and
// rules, a request with an Idempotency-Key, one that failed and was tried again, one that never
// ended, an EPCIS document, and a channel that was stopped, of which a notice tells.
func older(t *testing.T, name string) []byte {
	f, err := os.Open(filepath.Join("testdata", name))
	require.NoError(t, err)
	defer f.Close()
	r, err := gzip.NewReader(f)
	require.NoError(t, err)
	b, err := io.ReadAll(r)
	require.NoError(t, err)
	return b
}

// What format 1 kept under names of no site is found among the values, and nothing else of a store
// changes.
func TestStoresOfFormat1Open(t *testing.T) {
	for name, open := range map[string]func(t *testing.T) (first, again store.Store){
		"bolt": func(t *testing.T) (store.Store, store.Store) {
			dir := t.TempDir()
			require.NoError(t, os.WriteFile(filepath.Join(dir, boltstore.FileName), older(t, "format1.db.gz"), 0o600))
			st, err := boltstore.Open(dir, boltstore.Options{})
			require.NoError(t, err)
			require.NoError(t, st.Close())
			st, err = boltstore.Open(dir, boltstore.Options{})
			require.NoError(t, err)
			return st, st
		},
		"redis": func(t *testing.T) (store.Store, store.Store) {
			server := redistest.Start(t)
			replay(t, server.Client(t))
			first, err := redisstore.Open(t.Context(), server.URL(), redisstore.Options{})
			require.NoError(t, err)
			again, err := redisstore.Open(t.Context(), server.URL(), redisstore.Options{})
			require.NoError(t, err)
			for _, key := range server.Client(t).Keys(t.Context(), "lintel:{_*").Val() {
				require.Fail(t, key)
			}
			return first, again
		},
		"cluster": func(t *testing.T) (store.Store, store.Store) {
			url := redistest.Cluster(t).URL()
			opt, err := redis.ParseClusterURL("redis://" + url[len("redis+cluster://"):][:len("127.0.0.1:00000")])
			require.NoError(t, err)
			c := redis.NewClusterClient(opt)
			defer c.Close()
			replay(t, c)
			// Both at once: one changes the format, the other waits for it.
			both := make(chan store.Store, 2)
			for range 2 {
				go func() {
					st, err := redisstore.Open(context.Background(), url, redisstore.Options{})
					if err != nil {
						t.Error(err)
					}
					both <- st
				}()
			}
			return <-both, <-both
		},
	} {
		t.Run(name, func(t *testing.T) {
			first, again := open(t)
			defer first.Close()
			defer again.Close()
			ctx := t.Context()
			values := map[string]map[string]any{}
			require.NoError(t, again.Values(ctx, "", nil, func(v store.Value) error {
				var doc map[string]any
				_ = json.Unmarshal(v.Data, &doc)
				key := v.Key
				if v.Kind == "capture" {
					key = "a job"
				}
				require.NotContains(t, values, string(v.Kind)+" "+key)
				values[string(v.Kind)+" "+key] = doc
				return nil
			}))
			for key, want := range map[string]map[string]any{
				"answer boss made once":   {"status": 201.0, "tries": 1.0, "type": "application/json"},
				"answer boss tried twice": {"status": nil, "tries": 2.0, "fingerprint": "f1"},
				"answer boss never ended": {"status": nil, "tries": 1.0, "fingerprint": "f2"},
				"capture a job":           {},
				"channel chat":            {"cause": "gone", "stopped": 1764080047000.0},
				"order notices":           {},
				"notice msg__channels-chat_stopped_1764080047000_ops": {},
			} {
				require.Contains(t, values, key)
				for member, v := range want {
					require.Equal(t, v, values[key][member], "%s: %s", key, member)
				}
				delete(values, key)
			}
			require.Empty(t, values)
			require.NoError(t, again.Values(ctx, "order", nil, func(v store.Value) error {
				require.Equal(t, "7", string(v.Data))
				return nil
			}))
			for _, site := range []string{"_answers", "_captures", "_channels"} {
				cursor, newest, err := again.Cursor(ctx, site)
				require.NoError(t, err)
				require.Zero(t, cursor+newest)
			}
			cursor, newest, err := again.Cursor(ctx, "quayside")
			require.NoError(t, err)
			require.Positive(t, cursor)
			require.GreaterOrEqual(t, newest, cursor)
			d, err := again.GetDocument(ctx, "channels", 0)
			require.NoError(t, err)
			require.Equal(t, 2, d.Version)
		})
	}
}

// replay gives a server the keys that a program of format 1 left.
func replay(t *testing.T, c redis.UniversalClient) {
	var commands [][][]byte
	require.NoError(t, json.Unmarshal(older(t, "format1.redis.json.gz"), &commands))
	for _, command := range commands {
		args := make([]any, len(command))
		for i, a := range command {
			args[i] = a
		}
		require.NoError(t, c.Do(t.Context(), args...).Err())
	}
}
