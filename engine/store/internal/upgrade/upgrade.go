// Package upgrade reads what stores of format 1 kept under names that no site can have, and returns
// it as the values that format 2 keeps in its place. It describes both as they were when format 2
// began: it must not change when the packages that own the values do.
//
//	_channels  records "channel" and "delivery", and a cursor that numbered the deliveries
//	_captures  records "capture"
//	_answers   a journal of claims (their time in Unix ms, 8 bytes, big endian) under idempotency keys
//	           "KEY TRY", and records "answer" whose key is the number of the claim (8 bytes, big endian)
package upgrade

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"lintel/engine/store"
)

const (
	channels = "_channels"
	captures = "_captures"

	// Answers is the name whose idempotency keys are needed.
	Answers = "_answers"
)

// Names lists the names that are left empty by an upgrade.
var Names = []string{Answers, captures, channels}

// Claim is an idempotency key of the journal of Answers.
type Claim struct {
	Key         string
	Seq         store.Seq
	Fingerprint string
}

// Source is as much of a store as an upgrade reads.
type Source interface {
	store.Journal
	store.Records
}

// Values returns what the store keeps under Names, as values whose revisions are 0.
func Values(ctx context.Context, from Source, claims []Claim) ([]store.Value, error) {
	var all []store.Value
	add := func(kind store.Kind, key string, data []byte) {
		all = append(all, store.Value{Kind: kind, Key: key, Data: append([]byte{}, data...)})
	}
	kinds := map[store.Kind]store.Kind{"channel": "channel", "delivery": "notice", "capture": "capture"}
	for _, name := range []string{captures, channels} {
		if _, err := from.Records(ctx, name, "", nil, func(kind store.Kind, key string, data []byte) error {
			if now := kinds[kind]; now != "" {
				add(now, key, data)
			}
			return nil
		}); err != nil {
			return nil, err
		}
	}
	last, _, err := from.Cursor(ctx, channels)
	if err != nil {
		return nil, err
	}
	if last > 0 {
		add("order", "notices", strconv.AppendUint(nil, uint64(last), 10))
	}
	byKey, err := answers(ctx, from, claims)
	if err != nil {
		return nil, err
	}
	for key, a := range byKey {
		b, err := json.Marshal(a)
		if err != nil {
			return nil, err
		}
		add("answer", key, b)
	}
	return all, nil
}

// answer is the value of kind "answer": a claim, and what was answered if Status is not 0.
type answer struct {
	Fingerprint string            `json:"fingerprint"`
	Claimed     int64             `json:"claimed"`
	Tries       int               `json:"tries"`
	Status      int               `json:"status,omitempty"`
	Type        string            `json:"type,omitempty"`
	Header      map[string]string `json:"header,omitempty"`
	Body        []byte            `json:"body,omitempty"`
	At          int64             `json:"at,omitempty"`

	seq store.Seq // of the claim
}

// answers joins each key with its last claim, and with the answer to that.
func answers(ctx context.Context, from Source, claims []Claim) (map[string]*answer, error) {
	byKey, bySeq := make(map[string]*answer), make(map[store.Seq]*answer)
	for _, c := range claims {
		i := strings.LastIndexByte(c.Key, ' ')
		key, try := c.Key[:max(i, 0)], c.Key[i+1:]
		a := byKey[key]
		if a == nil {
			a = new(answer)
			byKey[key] = a
		}
		if n, err := strconv.Atoi(try); err != nil {
			return nil, fmt.Errorf("idempotency key %q of %s does not end in a number", c.Key, Answers)
		} else if n+1 > a.Tries {
			a.Tries, a.Fingerprint, a.seq = n+1, c.Fingerprint, c.Seq
		}
	}
	for key, a := range byKey {
		entries, err := from.Read(ctx, Answers, a.seq-1, 1, 0)
		if errors.Is(err, store.ErrTrimmed) {
			delete(byKey, key) // older than keys are remembered
			continue
		}
		if err != nil {
			return nil, err
		}
		if len(entries) == 1 && len(entries[0].Data) == 8 {
			a.Claimed = int64(binary.BigEndian.Uint64(entries[0].Data))
		}
		bySeq[a.seq] = a
	}
	_, err := from.Records(ctx, Answers, "answer", nil, func(_ store.Kind, number string, data []byte) error {
		if len(number) != 8 {
			return nil
		}
		a := bySeq[store.Seq(binary.BigEndian.Uint64([]byte(number)))]
		if a == nil {
			return nil
		}
		return json.Unmarshal(data, a) // what was kept has none of the members of the claim
	})
	return byKey, err
}
