// Package redisstore keeps a store in Redis 7 or newer: a single server, one behind Sentinel, or a
// Redis Cluster. It is the engine for several shops and for several Lintel processes that share
// them.
//
// # What a call promises
//
// A call that returned without error is as durable as the server makes it. With appendonly yes and
// appendfsync always that is the disk; with everysec up to a second of acknowledged entries can be
// lost when the machine stops; a failover can lose what the replica had not got yet. When that
// happens the cursor, records and facts of a site go back together with its journal, for they live
// in one slot; a reader that saw more gets ErrConflict from Read and loads again. Open refuses a
// server that evicts keys when memory runs out (maxmemory-policy other than noeviction), for an
// evicted key is lost data, and Ping finds one that was set so later. Both warn of a server that
// keeps too little on its disk. When a server was emptied or replaced while it is in use, each call
// is refused with store.ErrLost, so that it is not taken for a new shop.
//
// No write is ever sent twice by itself: a retry after a lost reply could append an entry again.
// The caller decides, with an idempotency key.
//
// # Keys
//
// Everything is under the prefix lintel:, and all keys of a site share a hash tag and so a slot of
// a cluster. No command touches two slots.
//
//	lintel:{SITE}:journal       stream; ids are 0-SEQ, dense because the server counts them (XADD key 0-*)
//	lintel:{SITE}:trimmed       string; the last entry that was trimmed
//	lintel:{SITE}:cursor        string
//	lintel:{SITE}:facts         stream; ids are MS-N
//	lintel:{SITE}:records:KIND  hash; key -> value
//	lintel:{SITE}:kinds         hash; kind -> number of commits that changed it
//	lintel:{SITE}:key:KEY       string with a time to live; what an idempotency key stands for
//	lintel:{SITE}:lease         string with a time to live; its owner
//	lintel:{.documents}:format  string; the number of this layout of keys, see Open
//	lintel:{.documents}:mark    string; random, made with the data, to notice other data in its place
//	lintel:{.values}:kind:KIND  hash; key -> REVISION:value
//	lintel:{.values}:kinds      set of the kinds that were ever used
//	lintel:{.values}:revision   string; of the value set last
//	lintel:{.documents}:newest  hash; name -> head of the newest version
//	lintel:{.documents}:heads:NAME, lintel:{.documents}:bodies:NAME    hashes by version
//
// # How it works
//
// Appends that run at the same time share a few pipelines: whoever comes while they are on their
// way waits for the next. An append of one entry without idempotency key is a plain XADD; any other
// is a script. A commit is one script, whatever its size.
//
// A reader that waits is woken by an append of its own process at once, and by others through XREAD
// BLOCK on a connection that is used for nothing else, one for each site on which somebody waits.
//
// A listing of records that fits into one reply is read in one transaction. A longer one is scanned
// piece by piece, and ends in ErrConflict if a commit changed one of its kinds meanwhile: the count
// in kinds tells. A worker that holds the lease of its site never sees that.
//
// # Addresses
//
//	redis://[user:password@]host:port[/db]                        one server
//	redis+sentinel://[user:password@]h1:26379,h2:26379/master     the master of that name, as the sentinels tell
//	redis+cluster://[user:password@]h1:7001,h2:7002               a cluster; any of its nodes will do to find the others
//
// With rediss in the place of redis the connections use TLS. Options follow a question mark: db
// (not for a cluster), pool (connections, for each server of a cluster), timeout (of one command,
// as 5s), sentinel_user and sentinel_password. User and password are percent-encoded where they
// hold one of :/?#[]@%. No error or log line of this package shows them.
package redisstore
