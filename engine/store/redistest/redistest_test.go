package redistest

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestServerKeepsItsDataOverRestartsIfToldTo(t *testing.T) {
	s := Start(t, "--appendonly", "yes", "--appendfsync", "always")
	require.NoError(t, s.Client(t).Set(t.Context(), "k", "v", 0).Err())
	s.Kill()
	require.Error(t, s.Client(t).Ping(t.Context()).Err())
	s.Restart(t)
	require.Equal(t, "v", s.Client(t).Get(t.Context(), "k").Val())
	s.Stop()
	s.Stop()
	s.Restart(t)
	require.Equal(t, "v", s.Client(t).Get(t.Context(), "k").Val())
}

func TestClusterServesAllSlots(t *testing.T) {
	c := Cluster(t).Client(t)
	for _, key := range []string{"a", "b", "c", "d", "e", "f"} {
		require.NoError(t, c.Set(t.Context(), key, key, 0).Err())
	}
}

func TestSentinelKnowsTheMaster(t *testing.T) {
	w := Sentinel(t)
	require.NotEqual(t, w.Master.Addr, w.Replica.Addr)
	require.Equal(t, "slave", w.Replica.Client(t).Info(t.Context(), "replication").Val()[len("# Replication\r\nrole:"):][:5])
}
