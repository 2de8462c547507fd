package boltstore

import (
	"testing"

	"lintel/engine/store"
	"lintel/engine/store/storetest"
)

// BenchmarkSynced is what production pays: every call ends with the data on the disk.
func BenchmarkSynced(b *testing.B) {
	storetest.Bench(b, func(b *testing.B) store.Store { return open(b, b.TempDir(), Options{}) })
}

// BenchmarkNoSync leaves the disk out, to show the engine's own work.
func BenchmarkNoSync(b *testing.B) {
	storetest.Bench(b, func(b *testing.B) store.Store { return open(b, b.TempDir(), Options{NoSync: true}) })
}
