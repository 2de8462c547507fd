package redisstore

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"

	"github.com/redis/go-redis/v9"

	"lintel/engine/store"
)

// How many records one command of a listing asks for: enough to make the way to Redis cheap, few
// enough that others do not notice.
const (
	scanCount = 5000
	keysCount = 5000
)

// Records implements store.Records. It returns ErrConflict if commits changed what is being listed
// and it did not fit into one reply.
func (s *Store) Records(ctx context.Context, site string, kind store.Kind, keys []string,
	fn func(kind store.Kind, key string, value []byte) error) (store.Seq, error) {
	if err := store.CheckSite(site); err != nil {
		return 0, err
	}
	if err := store.CheckRecords(kind, keys); err != nil {
		return 0, err
	}
	if err := s.usable(ctx); err != nil {
		return 0, err
	}
	l := listing{s: s, ctx: ctx, site: site, fn: fn}
	var cursor store.Seq
	var err error
	switch {
	case len(keys) > 0:
		cursor, err = l.some(kind, keys)
	case kind != "":
		cursor, err = l.scan([]store.Kind{kind}, false)
	default:
		cursor, err = l.everything()
	}
	if l.failed != nil {
		return 0, l.failed
	}
	if errors.Is(err, store.ErrConflict) {
		return 0, err
	}
	return cursor, s.wrap(err, "read of the records", site)
}

// listing is one call of Records.
type listing struct {
	s    *Store
	ctx  context.Context
	site string
	fn   func(kind store.Kind, key string, value []byte) error

	failed error // what fn returned
	buf    []byte
}

// errEnded ends a listing whose fn failed.
var errEnded = errors.New("the listing was ended")

func (l *listing) give(kind store.Kind, key, value string) error {
	l.buf = append(l.buf[:0], value...) // fn does not keep it, so one buffer does for all
	if l.failed = l.fn(kind, key, l.buf[:len(l.buf):len(l.buf)]); l.failed != nil {
		return errEnded
	}
	return nil
}

// state is what a listing compares: the cursor and how often each kind was changed.
type state struct {
	cursor *redis.StringCmd
	kinds  *redis.MapStringStringCmd
}

func (l *listing) state(p redis.Pipeliner) state {
	return state{cursor: p.Get(l.ctx, cursorKey(l.site)), kinds: p.HGetAll(l.ctx, kindsKey(l.site))}
}

// transaction runs commands as of one moment. Redis refuses all transactions while its memory is
// full, but then nothing is committed either, so that what several commands read is one cut too.
func (l *listing) transaction(fn func(p redis.Pipeliner)) error {
	all := func(p redis.Pipeliner) error {
		fn(p)
		return nil
	}
	cmds, err := l.s.client.TxPipelined(l.ctx, all)
	if isFull(err) {
		cmds, err = l.s.client.Pipelined(l.ctx, all)
	}
	if !errors.Is(err, redis.Nil) {
		return err
	}
	// Something is not there, which is no error, but it hides those of the commands after it.
	for _, cmd := range cmds {
		if err := cmd.Err(); err != nil && !errors.Is(err, redis.Nil) {
			return err
		}
	}
	return nil
}

// some lists records by key.
func (l *listing) some(kind store.Kind, keys []string) (cursor store.Seq, err error) {
	var first state
	for chunk := range slices.Chunk(keys, keysCount) {
		var now state
		var values *redis.SliceCmd
		err := l.transaction(func(p redis.Pipeliner) {
			now = l.state(p)
			values = p.HMGet(l.ctx, recordsKey(l.site, kind), chunk...)
		})
		if err != nil {
			return 0, err
		}
		if first.kinds == nil {
			first = now
		}
		if first.kinds.Val()[string(kind)] != now.kinds.Val()[string(kind)] {
			return 0, store.ErrConflict
		}
		if cursor, err = number(now.cursor); err != nil {
			return 0, err
		}
		for i, v := range values.Val() {
			if text, ok := v.(string); ok {
				if err := l.give(kind, chunk[i], text); err != nil {
					return 0, err
				}
			}
		}
	}
	return cursor, nil
}

// everything lists all kinds.
func (l *listing) everything() (store.Seq, error) {
	kinds, err := l.s.client.HKeys(l.ctx, kindsKey(l.site)).Result()
	if err != nil {
		return 0, err
	}
	slices.Sort(kinds)
	all := make([]store.Kind, len(kinds))
	for i, k := range kinds {
		all[i] = store.Kind(k)
	}
	return l.scan(all, true)
}

// scan lists kinds. Their first pieces and the state are read in one transaction: if nothing is
// left after them, they are one cut. Else the state at the end must be that of the beginning. whole
// says that the kinds must be all that there are.
func (l *listing) scan(kinds []store.Kind, whole bool) (store.Seq, error) {
	var first state
	pieces := make([]*redis.ScanCmd, len(kinds))
	err := l.transaction(func(p redis.Pipeliner) {
		first = l.state(p)
		for i, kind := range kinds {
			pieces[i] = p.HScan(l.ctx, recordsKey(l.site, kind), 0, "", scanCount)
		}
	})
	if err != nil {
		return 0, err
	}
	if whole && len(first.kinds.Val()) != len(kinds) {
		return 0, store.ErrConflict // a kind came up meanwhile
	}
	pieceByPiece := false
	for i, kind := range kinds {
		pairs, at := pieces[i].Val()
		for {
			for j := 0; j+1 < len(pairs); j += 2 {
				if err := l.give(kind, pairs[j], pairs[j+1]); err != nil {
					return 0, err
				}
			}
			if at == 0 {
				break
			}
			pieceByPiece = true
			if err := l.s.usable(l.ctx); err != nil {
				return 0, err
			}
			if pairs, at, err = l.s.client.HScan(l.ctx, recordsKey(l.site, kind), at, "", scanCount).Result(); err != nil {
				return 0, err
			}
		}
	}
	if !pieceByPiece {
		return number(first.cursor)
	}
	var last state
	if err := l.transaction(func(p redis.Pipeliner) { last = l.state(p) }); err != nil {
		return 0, err
	}
	if !l.unchanged(kinds, whole, first.kinds.Val(), last.kinds.Val()) {
		return 0, store.ErrConflict
	}
	return number(last.cursor)
}

func (l *listing) unchanged(kinds []store.Kind, whole bool, first, last map[string]string) bool {
	if whole {
		return maps.Equal(first, last)
	}
	return !slices.ContainsFunc(kinds, func(k store.Kind) bool { return first[string(k)] != last[string(k)] })
}

// Commit implements store.Records.
func (s *Store) Commit(ctx context.Context, site string, c store.Commit) error {
	if err := store.CheckSite(site); err != nil {
		return err
	}
	if err := c.Check(); err != nil {
		return err
	}
	if err := s.usable(ctx); err != nil {
		return err
	}
	keys, args := commitArguments(site, &c)
	reply, err := s.run(ctx, &commitScript, keys, args)
	if err != nil {
		return s.wrap(err, "commit", site)
	}
	list, _ := reply.([]any)
	if len(list) == 0 {
		return s.wrap(errReply, "commit", site)
	}
	switch list[0] {
	case "OK":
		return nil
	case "CONFLICT":
		return fmt.Errorf("%w: the cursor is %v, not %d", store.ErrConflict, list[len(list)-1], c.Expect)
	case "FACTS":
		return fmt.Errorf("%w: fact 0 (%s) is not past the last one of the site", store.ErrInvalid, factText(c.Facts[0].ID))
	}
	return s.wrap(errReply, "commit", site)
}

// commitArguments lays a commit out as the script wants it, grouped by kind so that the script
// needs few commands.
func commitArguments(site string, c *store.Commit) (keys []string, args []any) {
	type group struct{ deletes, writes int }
	groups := map[store.Kind]*group{}
	var kinds []store.Kind
	of := func(kind store.Kind) *group {
		g := groups[kind]
		if g == nil {
			g = &group{}
			groups[kind] = g
			kinds = append(kinds, kind)
		}
		return g
	}
	for i := range c.Deletes {
		of(c.Deletes[i].Kind).deletes++
	}
	for i := range c.Writes {
		of(c.Writes[i].Kind).writes++
	}

	args = make([]any, 0, 3+2*len(c.Facts)+3*len(kinds)+len(c.Deletes)+2*len(c.Writes))
	if c.Loose {
		args = append(args, "", "")
	} else {
		args = append(args, uint64(c.Expect), uint64(c.Next))
	}
	args = append(args, len(c.Facts))
	for i := range c.Facts {
		args = append(args, factText(c.Facts[i].ID), c.Facts[i].Data)
	}
	keys = []string{cursorKey(site), factsKey(site), kindsKey(site)}
	for _, kind := range kinds {
		keys = append(keys, recordsKey(site, kind))
		args = append(args, string(kind), groups[kind].deletes, groups[kind].writes)
		for i := range c.Deletes {
			if c.Deletes[i].Kind == kind {
				args = append(args, c.Deletes[i].Key)
			}
		}
		for i := range c.Writes {
			if c.Writes[i].Kind == kind {
				args = append(args, c.Writes[i].Key, c.Writes[i].Value)
			}
		}
	}
	return keys, args
}

// factText is the id of a fact as Redis writes it.
func factText(id store.FactID) string {
	return strconv.FormatInt(id.Ms, 10) + "-" + strconv.FormatUint(uint64(id.N), 10)
}
