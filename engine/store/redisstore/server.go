package redisstore

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"strconv"
	"strings"
	"sync"

	"github.com/redis/go-redis/v9"

	"lintel/engine/store"
)

// markKey holds a random text that is made once, with the data: a server whose data has another
// mark, or none, has other data.
const markKey = Prefix + "{.documents}:mark"

// setLogger has the lines that the client writes by itself in the same form as all others. Each is
// about a failure that a call returns as well.
var setLogger = sync.OnceFunc(func() { redis.SetLogger(clientLog{}) })

type clientLog struct{}

// Printf implements the client's interface.
func (clientLog) Printf(ctx context.Context, format string, v ...any) {
	slog.DebugContext(ctx, "redis client: "+fmt.Sprintf(format, v...))
}

// isNotUp reports that a server can't be reached, or says itself that it may be tried again.
func isNotUp(err error) bool {
	var reply redis.Error
	if errors.As(err, &reply) {
		for _, prefix := range []string{"LOADING", "CLUSTERDOWN", "MASTERDOWN", "TRYAGAIN", "READONLY", "ERR max number of clients"} {
			if strings.HasPrefix(reply.Error(), prefix) {
				return true
			}
		}
		return false
	}
	return !errors.Is(err, errUnfit) && !errors.Is(err, errReply) && !errors.Is(err, store.ErrFormat) &&
		!errors.Is(err, store.ErrAbsent) && !errors.Is(err, store.ErrClosed)
}

// errUnfit says that a server is not what Lintel needs.
var errUnfit = errors.New("the server can't be used")

// checkServers looks at every server that may hold data, and warns of what may lose data.
func (s *Store) checkServers(ctx context.Context) error {
	switch c := s.client.(type) {
	case *redis.ClusterClient:
		return c.ForEachMaster(ctx, s.checkServer)
	case *redis.Client:
		return s.checkServer(ctx, c)
	}
	return nil
}

func (s *Store) checkServer(ctx context.Context, c *redis.Client) error {
	// Users with few rights may not ask; what they lack besides shows in the calls that need it.
	info, err := c.Info(ctx, "server", "memory", "cluster", "persistence").Result()
	if err != nil {
		if redis.HasErrorPrefix(err, "NOPERM") {
			return c.Ping(ctx).Err()
		}
		return err
	}
	fields := parseInfo(info)
	for _, name := range []string{"save", "appendfsync"} {
		if config, err := c.ConfigGet(ctx, name).Result(); err == nil && len(config) > 0 {
			fields["config_"+name] = config[name] // some hosted servers have no CONFIG
		} else if ctx.Err() != nil {
			return err
		}
	}
	text := persistence(fields)
	if had, _ := s.warned.Swap(c.Options().Addr, text); text != "" && had != text {
		s.opts.Log.Warn("Redis may lose what was acknowledged: "+text, "server", c.Options().Addr)
	}
	_, inCluster := s.client.(*redis.ClusterClient)
	return checkInfo(fields, inCluster, s.opts)
}

func parseInfo(info string) map[string]string {
	fields := map[string]string{}
	for line := range strings.Lines(info) {
		if name, value, ok := strings.Cut(strings.TrimSpace(line), ":"); ok {
			fields[name] = value
		}
	}
	return fields
}

func checkInfo(info map[string]string, inCluster bool, opts Options) error {
	version := info["redis_version"]
	major, _, _ := strings.Cut(version, ".")
	if n, err := strconv.Atoi(major); err == nil && n < 7 {
		return fmt.Errorf("%w: it has version %s, and 7 or newer is needed", errUnfit, version)
	}
	if info["cluster_enabled"] == "1" && !inCluster {
		return fmt.Errorf("%w: it is a node of a cluster: write its URL with redis+cluster://", errUnfit)
	}
	if policy := info["maxmemory_policy"]; policy != "" && policy != "noeviction" && info["maxmemory"] != "0" && !opts.AllowEviction {
		return fmt.Errorf("%w: it throws data away when its memory is full (maxmemory-policy %s): "+
			"set maxmemory-policy noeviction", errUnfit, policy)
	}
	return nil
}

// persistence says what a server does not keep on its disk, "" if it keeps all.
func persistence(info map[string]string) string {
	save, known := info["config_save"]
	switch {
	case info["aof_enabled"] == "1" && info["config_appendfsync"] == "no":
		return "appendfsync is no, so that up to half a minute is gone when the machine stops; set it to always or everysec"
	case info["aof_enabled"] != "0":
		return ""
	case known && save == "":
		return "it keeps nothing on its disk, so that everything is gone when it stops; set appendonly yes"
	}
	return "it has no append-only file, so that all since its last snapshot is gone when it stops; set appendonly yes"
}

// identify finds the mark of the data, or makes one.
func (s *Store) identify(ctx context.Context) error {
	known, err := s.client.Exists(ctx, markKey, formatKey, newestHeads).Result()
	switch {
	case err != nil:
		return err
	case known == 0 && s.opts.Existing:
		return fmt.Errorf("%w: the server holds no data of Lintel: is it the right one, and the right database?", store.ErrAbsent)
	case known == 0:
		s.opts.Log.Warn("made a new store: there was none in Redis")
	}
	mark, err := s.client.Get(ctx, markKey).Result()
	if errors.Is(err, redis.Nil) {
		if err := s.client.SetNX(ctx, markKey, rand.Text(), 0).Err(); isFull(err) {
			return nil // data without a mark: it can be read all the same
		} else if err != nil {
			return err
		}
		mark, err = s.client.Get(ctx, markKey).Result()
	}
	s.mark.Store(&mark)
	return err
}

// isFull reports that the server refused a command since its memory is full.
func isFull(err error) bool {
	return redis.HasErrorPrefix(err, "OOM") || err != nil && strings.Contains(err.Error(), "EXECABORT")
}

// compare says whether a mark is that of the data that was opened, and remembers the answer.
func (s *Store) compare(mark string, err error) error {
	text, opened := "its data is not what it was", s.mark.Load()
	switch {
	case opened == nil:
		return nil
	case errors.Is(err, redis.Nil):
		text = "it is empty, or holds something else"
	case err != nil:
		return err
	case mark == *opened:
		s.lost.Store(nil)
		return nil
	}
	lost := fmt.Errorf("%w: Redis was emptied or replaced while it is in use (%s): "+
		"restore its data, or start Lintel again to begin a new store", store.ErrLost, text)
	s.lost.Store(&lost)
	return lost
}

// onConnect looks at the mark on each new connection, so that a server which starts again without
// its data is never taken for a new shop. A node of a cluster may not have it; Ping looks there.
func (s *Store) onConnect(ctx context.Context, c *redis.Conn) error {
	if s.mark.Load() == nil || s.lanes.perSite {
		return nil
	}
	return s.compare(c.Get(ctx, markKey).Result())
}

// Ping answers whether Redis can serve and has the data that was opened. It warns of servers that
// may lose data, and finds one that evicts keys since it was opened.
func (s *Store) Ping(ctx context.Context) error {
	if err := s.usable(ctx); err != nil && !errors.Is(err, store.ErrLost) {
		return err
	}
	if err := s.checkServers(ctx); err != nil {
		return s.wrap(err, "ping", "")
	}
	return s.wrap(s.compare(s.client.Get(ctx, markKey).Result()), "ping", "")
}
