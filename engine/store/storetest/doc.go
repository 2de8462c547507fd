// Package storetest checks that an engine keeps the contract of package store, and breaks stores on
// purpose for the tests of what uses them.
//
// Run is the conformance suite. An engine's test hands it a function that opens a store:
//
//	func TestConformance(t *testing.T) {
//		storetest.Run(t, func(t *testing.T) store.Store { ... })
//	}
//
// Every clause of the contract is one subtest. One of them makes random calls on the engine and on
// the store in memory, which must answer alike, and shrinks what fails to the shortest list;
// another runs workers through injected failures and checks that they end in exactly the state that
// they would have had without. A failure prints how to repeat it: the random lists by rapid's
// flags, everything else by the environment variable LINTEL_SEED.
//
// Faulty wraps a store so that calls fail before they take effect, fail after it (the reply was
// lost), or are slow.
//
// It is a helper for tests and is never imported by anything else.
package storetest
