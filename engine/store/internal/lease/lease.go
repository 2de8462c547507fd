// Package lease keeps the leases of a store that only one process can open, in the memory of that
// process.
package lease

import (
	"sync"
	"time"
)

// Table holds leases by name. The zero value is ready.
type Table struct {
	mu     sync.Mutex
	byName map[string]holder
}

type holder struct {
	owner string
	until time.Time
}

// Take takes or renews a lease for owner, and reports whether owner holds it now. ttl 0 gives it
// up.
func (t *Table) Take(name, owner string, ttl time.Duration) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := time.Now()
	have, taken := t.byName[name]
	if taken && have.owner != owner && have.until.After(now) {
		return false
	}
	if ttl <= 0 {
		delete(t.byName, name)
		return false
	}
	if t.byName == nil {
		t.byName = make(map[string]holder)
	}
	t.byName[name] = holder{owner, now.Add(ttl)}
	return true
}
