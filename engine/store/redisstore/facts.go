package redisstore

import (
	"bytes"
	"context"
	"fmt"
	"strconv"

	"lintel/engine/store"
)

// factsAtOnce is how many facts one command asks for.
const factsAtOnce = 2000

// Facts implements store.Records. fn may take its time: nothing in Redis waits for it.
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
	var st stream
	for given := 0; ; {
		if err := s.usable(ctx); err != nil {
			return err
		}
		n := factsAtOnce
		if limit > 0 {
			n = min(n, limit-given)
		}
		messages, err := st.read(ctx, s.client, factsKey(site), start, end, n)
		if err != nil {
			return s.wrap(err, "read of the facts", site)
		}
		for i := range messages {
			id, err := parseFactID(messages[i].id)
			if err != nil {
				return s.wrap(err, "read of the facts", site)
			}
			if err := fn(id, messages[i].data); err != nil {
				return err
			}
		}
		given += len(messages)
		if len(messages) < n || limit > 0 && given >= limit {
			return nil
		}
		start = "(" + string(messages[len(messages)-1].id)
	}
}

func parseFactID(text []byte) (store.FactID, error) {
	ms, n, _ := bytes.Cut(text, []byte("-"))
	m, err1 := strconv.ParseInt(string(ms), 10, 64)
	k, err2 := strconv.ParseUint(string(n), 10, 32)
	if err1 != nil || err2 != nil {
		return store.FactID{}, fmt.Errorf("id %q among facts: something else writes to them", text)
	}
	return store.FactID{Ms: m, N: uint32(k)}, nil
}
