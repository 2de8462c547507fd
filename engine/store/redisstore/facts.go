package redisstore

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"lintel/engine/store"
)

// factsAtOnce is how many facts one command asks for.
const factsAtOnce = 2000

// Facts implements store.Store. fn may take its time: nothing in Redis waits for it.
func (s *Store) Facts(ctx context.Context, site string, from, to store.FactID, limit int,
	fn func(id store.FactID, data []byte) error) error {
	if err := store.CheckSite(site); err != nil {
		return err
	}
	if from.Ms < 0 {
		from = store.FactID{}
	}
	if to.Ms < 0 {
		return s.usable(ctx)
	}
	start, end := factText(from), "+"
	if !to.IsZero() {
		end = "(" + factText(to)
	}
	var buf []byte
	for given := 0; ; {
		if err := s.usable(ctx); err != nil {
			return err
		}
		n := factsAtOnce
		if limit > 0 {
			n = min(n, limit-given)
		}
		messages, err := s.client.XRangeN(ctx, factsKey(site), start, end, int64(n)).Result()
		if err != nil {
			return s.wrap(err, "read of the facts", site)
		}
		for i := range messages {
			id, err := parseFactID(messages[i].ID)
			if err != nil {
				return s.wrap(err, "read of the facts", site)
			}
			text, _ := messages[i].Values[field].(string)
			buf = append(buf[:0], text...)
			if err := fn(id, buf[:len(buf):len(buf)]); err != nil {
				return err
			}
		}
		given += len(messages)
		if len(messages) < n || limit > 0 && given >= limit {
			return nil
		}
		start = "(" + messages[len(messages)-1].ID
	}
}

func parseFactID(text string) (store.FactID, error) {
	ms, n, _ := strings.Cut(text, "-")
	m, err1 := strconv.ParseInt(ms, 10, 64)
	k, err2 := strconv.ParseUint(n, 10, 32)
	if err1 != nil || err2 != nil {
		return store.FactID{}, fmt.Errorf("id %q among facts: something else writes to them", text)
	}
	return store.FactID{Ms: m, N: uint32(k)}, nil
}
