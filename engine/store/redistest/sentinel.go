package redistest

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/redis/go-redis/v9"
	"github.com/stretchr/testify/require"
)

// MasterName is the name under which the sentinels know the master.
const MasterName = "house"

// Watched is a master and its replica, watched by sentinels that make the replica the master when
// the master is gone.
type Watched struct {
	Master, Replica *Server
	Sentinels       []*Server
}

// Sentinel starts a master, a replica and three sentinels that wait half a second before they act,
// and waits until they know each other.
func Sentinel(t testing.TB) *Watched {
	t.Helper()
	w := &Watched{Master: Start(t, "--repl-diskless-sync-delay", "0")}
	host, port := w.Master.HostPort()
	w.Replica = Start(t, "--replicaof", host+" "+port)

	for range 3 {
		s := newServer(t)
		_, own := s.HostPort()
		conf := filepath.Join(s.dir, "sentinel.conf")
		text := strings.Join([]string{
			"port " + own, "bind 127.0.0.1", "dir " + strconv.Quote(s.dir), "daemonize no", `logfile ""`,
			fmt.Sprintf("sentinel monitor %s %s %s 2", MasterName, host, port),
			fmt.Sprintf("sentinel down-after-milliseconds %s 500", MasterName),
			fmt.Sprintf("sentinel failover-timeout %s 5000", MasterName),
		}, "\n")
		require.NoError(t, os.WriteFile(conf, []byte(text+"\n"), 0o600))
		s.args = []string{conf, "--sentinel"}
		s.Restart(t)
		w.Sentinels = append(w.Sentinels, s)
	}
	for _, s := range w.Sentinels {
		c := redis.NewSentinelClient(&redis.Options{Addr: s.Addr})
		t.Cleanup(func() { _ = c.Close() })
		require.Eventually(t, func() bool {
			ctx, cancel := context.WithTimeout(context.Background(), time.Second)
			defer cancel()
			m, err := c.Master(ctx, MasterName).Result()
			if err != nil || m["num-slaves"] != "1" || m["num-other-sentinels"] != "2" {
				return false
			}
			replicas, err := c.Replicas(ctx, MasterName).Result()
			return err == nil && len(replicas) == 1 && replicas[0]["master-link-status"] == "ok"
		}, startTimeout, 20*time.Millisecond, "the sentinels do not come up")
	}
	return w
}

// URL returns the sentinels' addresses in the form that redisstore takes.
func (w *Watched) URL() string {
	var addrs []string
	for _, s := range w.Sentinels {
		addrs = append(addrs, s.Addr)
	}
	return "redis+sentinel://" + strings.Join(addrs, ",") + "/" + MasterName
}
