package redisstore

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/redis/go-redis/v9"

	"lintel/engine/store"
	"lintel/engine/store/internal/docs"
)

// All documents share a slot. No site has a name with a dot.
const (
	newestHeads  = Prefix + "{.documents}:newest"
	headsPrefix  = Prefix + "{.documents}:heads:"
	bodiesPrefix = Prefix + "{.documents}:bodies:"
)

// PutDocuments implements store.Documents.
func (s *Store) PutDocuments(ctx context.Context, puts []store.DocumentPut) error {
	if err := store.CheckPuts(puts); err != nil {
		return err
	}
	if err := s.usable(ctx); err != nil || len(puts) == 0 {
		return err
	}
	keys, args := make([]string, 1, 1+2*len(puts)), make([]any, 0, 5*len(puts))
	keys[0] = newestHeads
	for _, p := range puts {
		d := &p.Document
		keys = append(keys, headsPrefix+d.Name, bodiesPrefix+d.Name)
		args = append(args, d.Name, p.Expect)
		if p.Keep {
			args = append(args, 0, "", "")
			continue
		}
		d.Version = p.Expect + 1
		args = append(args, d.Version, docs.AppendHead(nil, d), docs.AppendBody(nil, d.Body))
	}
	what := "store document " + puts[0].Document.Name
	if len(puts) > 1 {
		what = fmt.Sprintf("store %s and %d more documents", puts[0].Document.Name, len(puts)-1)
	}
	reply, err := s.run(ctx, &documentsScript, keys, args)
	if err != nil {
		return s.wrap(err, what, "")
	}
	refusal, ok := reply.([]any)
	switch {
	case !ok || len(refusal) != 0 && len(refusal) != 2:
		return s.wrap(errReply, what, "")
	case len(refusal) == 0:
		return nil
	}
	at, ok := refusal[0].(int64)
	newest, ok2 := refusal[1].(int64)
	if !ok || !ok2 || at < 0 || at >= int64(len(puts)) {
		return s.wrap(errReply, what, "")
	}
	return fmt.Errorf("%w: document %q has version %d, not %d", store.ErrConflict, puts[at].Document.Name, newest, puts[at].Expect)
}

// GetDocument implements store.Documents.
func (s *Store) GetDocument(ctx context.Context, name string, version int) (store.Document, error) {
	if err := store.CheckDocumentName(name); err != nil {
		return store.Document{}, err
	}
	if err := s.usable(ctx); err != nil {
		return store.Document{}, err
	}
	d, err := s.getDocument(ctx, name, version)
	switch {
	case errors.Is(err, redis.Nil):
		return store.Document{}, fmt.Errorf("%w: document %q version %d", store.ErrNotFound, name, version)
	case err != nil:
		return store.Document{}, s.wrap(err, "read document "+name, "")
	}
	return d, nil
}

func (s *Store) getDocument(ctx context.Context, name string, version int) (d store.Document, err error) {
	var head string
	if version == 0 {
		head, err = s.client.HGet(ctx, newestHeads, name).Result()
	} else {
		head, err = s.client.HGet(ctx, headsPrefix+name, strconv.Itoa(version)).Result()
	}
	if err != nil {
		return d, err
	}
	if d, _, err = docs.ReadHead(name, []byte(head)); err != nil {
		return d, err
	}
	// A version never changes, so it does not matter that this is another moment.
	body, err := s.client.HGet(ctx, bodiesPrefix+name, strconv.Itoa(d.Version)).Bytes()
	if err != nil {
		return d, err
	}
	d.Body, err = docs.ReadBody(name, body)
	return d, err
}

// ListDocuments implements store.Documents.
func (s *Store) ListDocuments(ctx context.Context, prefix string) ([]store.Document, error) {
	if err := s.usable(ctx); err != nil {
		return nil, err
	}
	heads, err := s.client.HGetAll(ctx, newestHeads).Result()
	if err != nil {
		return nil, s.wrap(err, "list documents", "")
	}
	var list []store.Document
	for name, head := range heads {
		if !strings.HasPrefix(name, prefix) {
			continue
		}
		d, _, err := docs.ReadHead(name, []byte(head))
		if err != nil {
			return nil, s.wrap(err, "list documents", "")
		}
		list = append(list, d)
	}
	slices.SortFunc(list, func(a, b store.Document) int { return strings.Compare(a.Name, b.Name) })
	return list, nil
}

// DocumentVersions implements store.Documents.
func (s *Store) DocumentVersions(ctx context.Context, name string) ([]store.Document, error) {
	if err := store.CheckDocumentName(name); err != nil {
		return nil, err
	}
	if err := s.usable(ctx); err != nil {
		return nil, err
	}
	heads, err := s.client.HVals(ctx, headsPrefix+name).Result()
	if err != nil {
		return nil, s.wrap(err, "list versions of document "+name, "")
	}
	if len(heads) == 0 {
		return nil, fmt.Errorf("%w: document %q", store.ErrNotFound, name)
	}
	list := make([]store.Document, len(heads))
	for i, head := range heads {
		if list[i], _, err = docs.ReadHead(name, []byte(head)); err != nil {
			return nil, s.wrap(err, "list versions of document "+name, "")
		}
	}
	slices.SortFunc(list, func(a, b store.Document) int { return b.Version - a.Version })
	return list, nil
}
