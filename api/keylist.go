package api

import (
	"context"

	"lintel/engine/store"
)

// ListKeys returns all keys, revoked ones too. They hold hashes, never the texts.
func ListKeys(ctx context.Context, st store.Store) ([]Key, error) {
	doc, _, err := loadKeys(ctx, st)
	return doc.Keys, err
}
