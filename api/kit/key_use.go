package kit

import (
	"context"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"lintel/engine/store"
)

// kindKeyUse is the kind of last uses among the store's values: Unix seconds as text, by the hash of
// the key's text.
const kindKeyUse store.Kind = "keyuse"

// Last uses are stored so seldom that noting them costs nothing; after a failure sooner.
const (
	useStored = time.Hour
	useRetry  = time.Minute
)

// keyUse notes when each key was last used, so that whoever ends one knows whom that stops. This
// process knows it to the second, the store and with it other processes to the hour.
type keyUse struct {
	store store.Values
	now   func() time.Time
	last  sync.Map // of *lastUse, by the hash of the key's text; only of keys that hold
}

// lastUse has Unix seconds.
type lastUse struct{ used, stored atomic.Int64 }

// note says that a key is used now. A person has none.
func (u *keyUse) note(ctx context.Context, k *Key) {
	if k.person != "" {
		return
	}
	found, ok := u.last.Load(k.Hash)
	if !ok {
		found, _ = u.last.LoadOrStore(k.Hash, new(lastUse))
	}
	l, now := found.(*lastUse), u.now().Unix()
	l.used.Store(now)
	stored := l.stored.Load()
	if now-stored < int64(useStored/time.Second) || !l.stored.CompareAndSwap(stored, now) {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, keyFresh)
	defer cancel()
	_, err := u.store.SetValues(ctx, store.Value{Kind: kindKeyUse, Key: k.Hash, Revision: store.AnyRevision,
		Data: strconv.AppendInt(nil, now, 10)})
	if err != nil { // the request goes on: nothing but this is lost
		l.stored.Store(now - int64((useStored-useRetry)/time.Second))
	}
}

// KeysUsed returns when keys were last used, by Key.Hash. Keys that were never used are left out.
func (s *Server) KeysUsed(ctx context.Context) (map[string]time.Time, error) {
	used := map[string]time.Time{}
	err := s.uses.store.Values(ctx, kindKeyUse, nil, func(v store.Value) error {
		if sec, err := strconv.ParseInt(string(v.Data), 10, 64); err == nil { // one that is damaged is none
			used[v.Key] = time.Unix(sec, 0).UTC()
		}
		return nil
	})
	s.uses.last.Range(func(hash, l any) bool {
		if at := time.Unix(l.(*lastUse).used.Load(), 0).UTC(); at.After(used[hash.(string)]) {
			used[hash.(string)] = at
		}
		return true
	})
	return used, err
}
