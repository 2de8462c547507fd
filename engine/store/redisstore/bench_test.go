package redisstore

import (
	"testing"

	"lintel/engine/store"
	"lintel/engine/store/redistest"
	"lintel/engine/store/storetest"
)

// BenchmarkMemory runs against a server that writes nothing to the disk.
func BenchmarkMemory(b *testing.B) {
	storetest.Bench(b, func(b *testing.B) store.Store { return open(b, redistest.Start(b).URL()) })
}

// BenchmarkSynced runs against a server that acknowledges what is on the disk.
func BenchmarkSynced(b *testing.B) {
	storetest.Bench(b, func(b *testing.B) store.Store {
		return open(b, redistest.Start(b, "--appendonly", "yes", "--appendfsync", "always").URL())
	})
}
