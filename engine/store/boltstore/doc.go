// Package boltstore keeps a store in one file of one directory, with bbolt. It is the engine for
// one shop on one machine: nothing else needs to be installed.
//
// # What a call promises
//
// A call that returned without error is on the disk: the file was fsynced. All calls that change
// something (appends, commits, documents, trims) go to one writer goroutine, which takes whatever
// is waiting, applies it as one bbolt transaction and fsyncs once for all of it:
//
//	Append ─┐
//	Append ─┼─▶ queue ─▶ writer: begin, apply each, fsync, answer each
//	Commit ─┘
//
// So one caller pays a full fsync, and a hundred concurrent callers share one. A call that is
// refused (a conflict, a key used before) leaves the others in its transaction alone: it is checked
// whole before it changes anything.
//
// # One process
//
// The directory belongs to one process. A second one that opens it gets ErrInUse within
// Options.LockTimeout. Leases therefore live in memory: whoever holds the directory holds them all,
// and they end with the process.
//
// # Layout of the file
//
//	meta                          format, revision (of the value set last)
//	documents / NAME              version (4 bytes, big endian) -> head and body
//	values                        kind, 0, key -> revision (8), value
//	sites / SITE                  cursor, newest, lastfact
//	              / journal       seq (8 bytes, big endian) -> data
//	              / records       kind, 0, key -> value
//	              / facts         ms (8), n (4), big endian -> data
//	              / keys          idempotency key -> expiry in Unix ms (8), seq (8), fingerprint
//	              / expiries      expiry (8), idempotency key -> nothing, to find what to forget
//
// # Failures
//
// When a transaction can't be written (a full disk, a failing one), its callers get the error, and
// the file is closed and opened again before the next one: what is on the disk then decides whether
// the failed transaction took effect, never what memory believed. While it can't be opened, every
// call fails, Ping too, and each tries again. The file does not shrink when entries are trimmed;
// the room is used again.
package boltstore
