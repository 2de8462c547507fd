package redisstore

import (
	"context"
	"crypto/tls"
	"strings"
	"testing"
	"time"

	"github.com/redis/go-redis/v9"
	"github.com/stretchr/testify/require"

	"lintel/engine/store"
	"lintel/engine/store/redistest"
)

func TestParseURL(t *testing.T) {
	type options = redis.UniversalOptions
	for url, want := range map[string]options{
		"redis://localhost":        {Addrs: []string{"localhost:6379"}},
		"redis://localhost:7000/3": {Addrs: []string{"localhost:7000"}, DB: 3},
		"rediss://u:p@r.example:1?timeout=5s": {Addrs: []string{"r.example:1"}, TLSConfig: &tls.Config{MinVersion: tls.VersionTLS12},
			Username: "u", Password: "p", ReadTimeout: 5 * time.Second, WriteTimeout: 5 * time.Second},
		"redis://:p%40%2f%3A@[::1]:7000": {Addrs: []string{"[::1]:7000"}, Password: "p@/:"},
		"redis://[::1]":                  {Addrs: []string{"[::1]:6379"}},
		"redis://:a:b@c@h":               {Addrs: []string{"h:6379"}, Password: "a:b@c"},
		"redis+sentinel://u:p@a:1,b/house?db=2&sentinel_user=s&sentinel_password=q%26": {Addrs: []string{"a:1",
			"b:26379"}, MasterName: "house",
			Username: "u", Password: "p", DB: 2, SentinelUsername: "s", SentinelPassword: "q&"},
		"redis+cluster://a:1,b:2,c:3?pool=9": {IsClusterMode: true, Addrs: []string{"a:1", "b:2", "c:3"}, PoolSize: 9},
		"rediss+cluster://a:1": {IsClusterMode: true,
			TLSConfig: &tls.Config{MinVersion: tls.VersionTLS12}, Addrs: []string{"a:1"}},
	} {
		got, err := parseURL(url)
		require.NoError(t, err, url)
		want.ContextTimeoutEnabled, want.MaxRetries, want.MaintNotificationsConfig = true, -1, quiet()
		require.Equal(t, want, got.UniversalOptions, url)
	}
}

func TestParseURLSaysWhatIsWrongWithoutThePassword(t *testing.T) {
	for url, want := range map[string]string{
		"localhost:6379":                          "it has no ://",
		"http://:hunter2@h":                       "must be redis or rediss",
		"redis+ring://:hunter2@h":                 "must be redis or rediss",
		"redis://:hunter2@":                       "host 1 is empty",
		"redis://:hunter2@h:":                     "port of host 1",
		"redis://:hunter2@h:99999":                "port of host 1",
		"redis://:hunter2@h:port":                 "port of host 1",
		"redis://:hunter2@::1":                    "IPv6",
		"redis://:hunter2%@h":                     "%25",
		"redis://hunter2@h":                       "user:password",
		"redis://:hunter2@a,b":                    "2 hosts",
		"redis://:hunter2@a/x":                    "database",
		"redis://:hunter2@a/-1":                   "database",
		"redis://:hunter2@a?db=x":                 "database",
		"redis://:hunter2@a?password=hunter2":     "unknown option",
		"redis://:hunter2@a?hunter2":              "unknown option",
		"redis://:hunter2@a?db=1&db=2":            "twice",
		"redis://:hunter2@a?%zz":                  "options after ?",
		"redis://:hunter2@a?pool=0":               "pool",
		"redis://:hunter2@a?timeout=5":            "timeout",
		"redis://:hunter2@a?sentinel_user=x":      "sentinel",
		"redis+cluster://:hunter2@a/1":            "no databases",
		"redis+cluster://:hunter2@a?db=1":         "no databases",
		"redis+sentinel://:hunter2@a":             "/NAME",
		"redis+sentinel://:hunter2@a/b/c":         "/NAME",
		"redis+sentinel://:hunter2@a,,b/house":    "host 2 is empty",
		"redis+sentinel://:hunter2@a:1:2,b/house": "host 1",
	} {
		_, err := Open(context.Background(), url, Options{})
		require.ErrorIs(t, err, store.ErrInvalid, url)
		require.ErrorContains(t, err, want, url)
		require.NotContains(t, err.Error(), "hunter2", url)
	}
}

func TestNoErrorShowsThePassword(t *testing.T) {
	ctx := t.Context()
	server := redistest.Start(t, "--requirepass", "hunter2")
	s := open(t, server.URL())
	_, err := s.Append(ctx, "umberhithe", entry("a"))
	require.NoError(t, err)
	server.Kill()
	_, err = s.Append(ctx, "umberhithe", entry("a"))
	require.Error(t, err)
	require.NotContains(t, err.Error(), "hunter2")
	_, err = Open(ctx, server.URL(), Options{})
	require.Error(t, err)
	require.NotContains(t, err.Error(), "hunter2")

	server.Restart(t)
	_, err = Open(ctx, strings.Replace(server.URL(), "hunter2", "sesame77", 1), Options{})
	require.ErrorContains(t, err, "WRONGPASS")
	require.NotContains(t, err.Error(), "sesame77")
	_, err = Open(ctx, "redis://"+server.Addr, Options{})
	require.ErrorContains(t, err, "NOAUTH")
}

// FuzzParseURL checks that no URL does worse than an error, and that no error shows the password.
func FuzzParseURL(f *testing.F) {
	for _, seed := range [][2]string{
		{"redis", "@h:1/2?timeout=5s"}, {"rediss+cluster", "@a,b:2?pool=3"}, {"redis+sentinel", "@a:1,[::1]:2/m?db=1"},
		{"redis", "%@a"}, {"redis", ""}, {"http", "@h"}, {"redis", "@[::1"}, {"redis", "@a?x=1"},
	} {
		f.Add(seed[0], seed[1])
	}
	f.Fuzz(func(t *testing.T, scheme, rest string) {
		const secret = "hunter2"
		a, err := parseURL(scheme + "://user:" + secret + rest)
		if err != nil {
			require.ErrorIs(t, err, store.ErrInvalid)
			require.NotContains(t, err.Error(), secret)
			return
		}
		require.NotEmpty(t, a.Addrs)
		require.Equal(t, a.form == "sentinel", a.MasterName != "")
		require.NoError(t, a.client(0).Close())
	})
}
