package redisstore

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"lintel/engine/store"
)

// All values share a slot. No site has a name with a dot.
const (
	valuesRevision = Prefix + "{.values}:revision"
	valuesKinds    = Prefix + "{.values}:kinds"
	valuesPrefix   = Prefix + "{.values}:kind:"
)

// valuesAtOnce is how many values one command of a listing asks for.
const valuesAtOnce = 200

// Values implements store.Values.
func (s *Store) Values(ctx context.Context, kind store.Kind, keys []string, fn func(v store.Value) error) error {
	if err := store.CheckRecords(kind, keys); err != nil {
		return err
	}
	if err := s.usable(ctx); err != nil {
		return err
	}
	kinds := []string{string(kind)}
	if kind == "" {
		var err error
		if kinds, err = s.client.SMembers(ctx, valuesKinds).Result(); err != nil {
			return s.wrap(err, "list the kinds of values", "")
		}
		slices.Sort(kinds)
	}
	for _, k := range kinds {
		names := keys
		if len(keys) == 0 {
			var err error
			if names, err = s.client.HKeys(ctx, valuesPrefix+k).Result(); err != nil {
				return s.wrap(err, "list the values of kind "+k, "")
			}
		}
		for chunk := range slices.Chunk(names, valuesAtOnce) {
			found, err := s.client.HMGet(ctx, valuesPrefix+k, chunk...).Result()
			if err != nil {
				return s.wrap(err, "read values of kind "+k, "")
			}
			for i, held := range found {
				text, ok := held.(string)
				if !ok {
					continue
				}
				revision, data, _ := strings.Cut(text, ":")
				n, err := strconv.ParseUint(revision, 10, 64)
				if err != nil {
					return s.wrap(errReply, "read values of kind "+k, "")
				}
				v := store.Value{Kind: store.Kind(k), Key: chunk[i], Revision: store.Revision(n), Data: []byte(data)}
				if err := fn(v); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// SetValues implements store.Values.
func (s *Store) SetValues(ctx context.Context, values ...store.Value) (store.Revision, error) {
	if err := store.CheckValues(values); err != nil {
		return 0, err
	}
	if err := s.usable(ctx); err != nil || len(values) == 0 {
		return 0, err
	}
	keys, args := []string{valuesRevision, valuesKinds}, make([]any, 0, 5*len(values))
	for _, v := range values {
		expect, set := strconv.FormatUint(uint64(v.Revision), 10), 1
		if v.Revision == store.AnyRevision {
			expect = "*"
		}
		if v.Data == nil {
			set = 0
		}
		keys = append(keys, valuesPrefix+string(v.Kind))
		args = append(args, string(v.Kind), v.Key, expect, set, v.Data)
	}
	reply, err := s.run(ctx, &valuesScript, keys, args)
	if err != nil {
		return 0, s.wrap(err, "set values", "")
	}
	list, _ := reply.([]any)
	if len(list) != 2 {
		return 0, s.wrap(errReply, "set values", "")
	}
	text, _ := list[0].(string)
	at, ok := list[1].(int64)
	revision, err := strconv.ParseUint(text, 10, 64)
	if err != nil || !ok || at >= int64(len(values)) {
		return 0, s.wrap(errReply, "set values", "")
	}
	if at >= 0 {
		v := &values[at]
		return 0, fmt.Errorf("%w: value %q of kind %s has revision %d, not %d", store.ErrConflict, v.Key, v.Kind, revision, v.Revision)
	}
	return store.Revision(revision), nil
}
