// Package bench measures Lintel's whole path on a real Redis server, in one run with what it is
// compared to, so that the numbers are ratios and mean something on any machine:
//
//	floor             decode JSON with the standard library, one XADD a batch, nothing else
//	script            one HGETALL and one HSET a read, as a plain script would
//	pipelined script  the same, pipelined by batch
//	lintel            HTTP, decoding, identity, journal, presence, rules, commit, with the same bodies
//
// The load generator, Redis and Lintel share the machine. A batch is 500 reads of about 115 bytes:
// 100 tags five times each, so 80 % are repeats, and one tag in ten is somewhere else than before.
// Everything stays on loopback and is bounded in time.
package bench
