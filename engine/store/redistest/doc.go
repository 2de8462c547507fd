// Package redistest starts real Redis servers for tests, on free ports of the loopback interface,
// with their data in the test's own directory, and ends them when the test ends. It never touches a
// server that it did not start.
//
//	Start     one server
//	Cluster   a Redis Cluster of three masters without replicas
//	Sentinel  a master, a replica and the sentinels that watch them
//
// Where redis-server is not installed the test is skipped, unless LINTEL_REQUIRE_REDIS=1 is set:
// then it fails. It is a helper for tests and is never imported by anything else.
package redistest
