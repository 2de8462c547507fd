package redistest

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/redis/go-redis/v9"
	"github.com/stretchr/testify/require"
)

// slots is how many hash slots a Redis Cluster has.
const slots = 16384

// Nodes is a Redis Cluster.
type Nodes struct {
	Servers []*Server
}

// Cluster starts a Redis Cluster of three masters and waits until each of them says that it is
// whole.
func Cluster(t testing.TB, options ...string) *Nodes {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), startTimeout)
	defer cancel()
	n := &Nodes{}
	for range 3 {
		all := append([]string{"--cluster-enabled", "yes", "--cluster-node-timeout", "2000"}, options...)
		n.Servers = append(n.Servers, Start(t, all...))
	}
	for i, s := range n.Servers {
		c := s.Client(t)
		require.NoError(t, c.ClusterAddSlotsRange(ctx, i*slots/3, (i+1)*slots/3-1).Err())
		// Each has an epoch of its own from the start: otherwise they first argue about it.
		require.NoError(t, c.Do(ctx, "cluster", "set-config-epoch", i+1).Err())
	}
	first := n.Servers[0].Client(t)
	for _, s := range n.Servers[1:] {
		host, port := s.HostPort()
		require.NoError(t, first.ClusterMeet(ctx, host, port).Err())
	}
	n.Await(t)
	return n
}

// Await waits until every node says that the cluster is whole.
func (n *Nodes) Await(t testing.TB) {
	t.Helper()
	for _, s := range n.Servers {
		c := s.Client(t)
		var info string
		require.Eventually(t, func() bool {
			ctx, cancel := context.WithTimeout(context.Background(), time.Second)
			defer cancel()
			info = c.ClusterInfo(ctx).Val()
			return strings.Contains(info, "cluster_state:ok") && strings.Contains(info, "cluster_known_nodes:3") &&
				strings.Contains(info, fmt.Sprintf("cluster_slots_ok:%d", slots))
		}, startTimeout, 10*time.Millisecond, "the cluster does not come up")
	}
}

// URL returns the addresses in the form that redisstore takes.
func (n *Nodes) URL() string { return "redis+cluster://" + strings.Join(n.addrs(), ",") }

func (n *Nodes) addrs() []string {
	var addrs []string
	for _, s := range n.Servers {
		addrs = append(addrs, s.Addr)
	}
	return addrs
}

// Client returns a client of the cluster, which is closed when the test ends.
func (n *Nodes) Client(t testing.TB) *redis.ClusterClient {
	c := redis.NewClusterClient(&redis.ClusterOptions{Addrs: n.addrs()})
	t.Cleanup(func() { _ = c.Close() })
	return c
}
