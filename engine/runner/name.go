package runner

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"time"
)

// Two processes with one name each believe that they hold the leases of all sites: nothing is lost,
// since commits are compared, but both do all the work. So each process also holds a lease of its name
// under a word of its own.

// nameLease is the name of the lease of a node's name, which no site can have: those have no underscore.
func nameLease(node string) string {
	sum := sha256.Sum256([]byte(node))
	return "_node-" + hex.EncodeToString(sum[:16])
}

// guardName holds the lease of this node's name until ctx ends, and says when another process has it.
// One that was killed may have it for as long as a lease lasts.
func (r *Runner) guardName(ctx context.Context) {
	lease, process := nameLease(r.opt.Node), rand.Text()
	defer func() {
		bg, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		_, _ = r.opt.Store.Lease(bg, lease, process, 0) // it runs out by itself otherwise
	}()
	var lost, warned time.Time
	for {
		held, err := r.opt.Store.Lease(ctx, lease, process, r.opt.LeaseTTL)
		switch {
		case err != nil: // the sites' loops report it
		case held:
			lost = time.Time{}
			r.opt.Metrics.NodeTaken.Set(0)
		case lost.IsZero():
			lost = time.Now()
		case time.Since(lost) > r.opt.LeaseTTL:
			r.opt.Metrics.NodeTaken.Set(1)
			if warned.IsZero() || time.Since(warned) >= clockWarnEvery {
				warned = time.Now()
				r.opt.Log.Error("another process on this store has the same name, so that both do all the work: give each its own --node, "+
					"or none", "node", r.opt.Node)
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(r.opt.LeaseTTL / 3):
		}
	}
}
