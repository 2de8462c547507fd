package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"time"
)

// Errors that callers distinguish with errors.Is. Every other error is a failure of the engine
// itself, and the call may be repeated.
var (
	// ErrConflict says that the cursor, version or revision is no longer what the caller expected.
	// Nothing was changed.
	ErrConflict = errors.New("store: the cursor or version moved on")
	// ErrIdempotencyMismatch says that the idempotency key was used before with another
	// fingerprint. Nothing was appended.
	ErrIdempotencyMismatch = errors.New("store: idempotency key was used with another request")
	// ErrNotFound says that the document, or that version of it, does not exist.
	ErrNotFound = errors.New("store: not found")
	// ErrTrimmed says that entries after the given sequence number were trimmed, so a reader cannot
	// go on from there.
	ErrTrimmed = errors.New("store: journal was trimmed past this point")
	// ErrClosed says that the store was closed.
	ErrClosed = errors.New("store: closed")
	// ErrFormat says that what is stored has a form that this Lintel cannot read, since a newer one
	// wrote it.
	ErrFormat = errors.New("written by a newer Lintel")
	// ErrDamaged says that what is stored can't be read any more.
	ErrDamaged = errors.New("the store is damaged")
	// ErrLost says that the store is not the one that was opened: its data was deleted or replaced
	// under the running process. What it holds now must not be taken for a new shop.
	ErrLost = errors.New("the store lost its data")
	// ErrFull says that there is no room for what should be stored. Nothing of it was, what is there
	// can be read, and the same call succeeds when room was made.
	ErrFull = errors.New("there is no room")
	// ErrAbsent says that there is no store where one must exist already.
	ErrAbsent = errors.New("there is no store here")
	// ErrNotUp says that a store can't be opened yet, since its server does not run or still loads
	// its data. It may be tried again later.
	ErrNotUp = errors.New("the store is not up")
)

// Seq numbers the entries of one site's journal: 1, 2, 3, ... without holes. As a cursor, 0 means
// that nothing was folded yet.
type Seq uint64

// Kind names a family of records or of values, for example "item" or "answer": 1 to 16 bytes of
// a-z.
type Kind string

// Store is everything that an engine implements. Code that uses a store asks for the parts that it
// needs. All methods are safe for concurrent use. A site name has 1 to 64 bytes of a-z, 0-9, '-',
// '_'.
type Store interface {
	Journal
	Records
	Documents
	Values
	Leases
	Service
}

// Journal holds what came in for each site: an append-only, totally ordered list of entries.
type Journal interface {
	// Append adds entries to the end of the site's journal, in the order given, and returns one
	// result for each. It is one atomic step: all or none are added. An entry whose idempotency key
	// was seen before is not added again: its result has the Seq of the first one and Replayed. If
	// any key was used with another fingerprint, nothing is added and the error is
	// ErrIdempotencyMismatch.
	Append(ctx context.Context, site string, entries ...NewEntry) ([]Appended, error)

	// Read returns up to max entries after the given sequence number, oldest first. If there is
	// none it waits up to wait (0: not at all) for this or another process to append one, and then
	// returns an empty slice and no error. An engine may return fewer than max if they are large
	// (about 16 MB), never none. ErrTrimmed: after+1 was trimmed away. ErrConflict: after is past
	// the newest entry, so the store lost what the reader saw (an older backup, a failover), and
	// the reader must load the site again.
	Read(ctx context.Context, site string, after Seq, max int, wait time.Duration) ([]Entry, error)

	// Cursor returns the site's cursor and the Seq of its newest entry (0, 0 for a site never
	// written).
	Cursor(ctx context.Context, site string) (cursor, newest Seq, err error)

	// Trim drops journal entries up to and including t.Journal (never past the cursor), and facts
	// before t.Facts.
	Trim(ctx context.Context, site string, t Trim) error

	// StartJournal gives the next entry of a site that was never written the number newest+1, as if
	// all before were trimmed, to take a site over from another store. ErrConflict: the site has
	// entries or a cursor.
	StartJournal(ctx context.Context, site string, newest Seq) error
}

// Records holds what the entries of each site led to: its records as of the cursor, and its facts.
type Records interface {
	// Records calls fn for records of the site as of one cursor, which it returns. With keys it
	// lists those that exist, in any order; without keys, every record of the kind; with kind ""
	// (and no keys), every record of every kind. fn must not keep value after it returns and must
	// not call the store. If a commit lands during a long listing, the engine still lists one
	// consistent cut or returns ErrConflict (the caller tries again).
	Records(ctx context.Context, site string, kind Kind, keys []string,
		fn func(kind Kind, key string, value []byte) error) (Seq, error)

	// Commit applies c in one atomic step if the site's cursor equals c.Expect, else it returns
	// ErrConflict. With c.Loose the cursor is neither checked nor changed: for records that the
	// fold creates and others update, such as deliveries.
	Commit(ctx context.Context, site string, c Commit) error

	// Facts calls fn for the facts of the site with from <= id < to, in order of id (to zero: no
	// bound), at most limit (0: no bound). fn must not keep data after it returns. An error of fn
	// ends the listing and is returned.
	Facts(ctx context.Context, site string, from, to FactID, limit int,
		fn func(id FactID, data []byte) error) error
}

// Documents holds versioned configuration, which is never edited in place.
type Documents interface {
	// PutDocuments stores the next versions of several documents in one atomic step: if each is at
	// the version that its put expects, all are stored, and the new version of each is Expect+1;
	// otherwise nothing is stored, and the error is ErrConflict. A put with Keep stores nothing:
	// its document must only be at that version. No document may be named twice. No puts at all are
	// no error.
	PutDocuments(ctx context.Context, puts []DocumentPut) error
	// GetDocument returns one version of a document; version 0 asks for the newest.
	GetDocument(ctx context.Context, name string, version int) (Document, error)
	// ListDocuments returns the newest version of each document whose name starts with prefix, by
	// name, without bodies.
	ListDocuments(ctx context.Context, prefix string) ([]Document, error)
	// DocumentVersions returns every version of one document without bodies, newest first.
	DocumentVersions(ctx context.Context, name string) ([]Document, error)
}

// PutDocument stores the next version of one document. expect is the version that it replaces (0: it
// must not exist yet); ErrConflict: another was stored meanwhile. It returns the new version,
// expect+1.
func PutDocument(ctx context.Context, to Documents, d Document, expect int) (int, error) {
	if err := to.PutDocuments(ctx, []DocumentPut{{Document: d, Expect: expect}}); err != nil {
		return 0, err
	}
	return expect + 1, nil
}

// Values holds what belongs to no site, as values by kind and key that are compared before they are
// set.
type Values interface {
	// Values calls fn for values of the kind: with keys, for those that exist, in any order;
	// without keys, for all; with kind "" (and no keys), for every value of every kind. Each is
	// listed at most once. A value that changes during the listing is listed as it was before or
	// after, or, if it did not exist before or does not after, perhaps not at all. fn must not keep
	// v.Data after it returns and must not call the store.
	Values(ctx context.Context, kind Kind, keys []string, fn func(v Value) error) error
	// SetValues sets or deletes several values in one atomic step if each still has the given
	// revision, and returns the revision that those which were set have now; otherwise nothing is
	// changed, and the error is ErrConflict. No value may be named twice.
	SetValues(ctx context.Context, values ...Value) (Revision, error)
}

// Leases decides which process works on what.
type Leases interface {
	// Lease takes or renews the lease of the name, usually a site, for owner for ttl, and reports
	// whether owner holds it now. ttl 0 gives it up.
	Lease(ctx context.Context, name, owner string, ttl time.Duration) (held bool, err error)
}

// Service is what a store is as a whole.
type Service interface {
	// Ping returns nil if the store can serve right now.
	Ping(ctx context.Context) error
	// Close ends all waiting reads with ErrClosed and releases everything. It is safe to call
	// twice.
	Close() error
}

// Revision tells the states of one value apart: each time that a value is set it gets one that it
// never had. 0 is that of a value that does not exist.
type Revision uint64

// AnyRevision in a change matches every state of the value, and that it does not exist.
const AnyRevision Revision = math.MaxUint64

// Value is one value that belongs to no site. As a change, Revision is the one that it replaces,
// and nil Data deletes it: deleting a value that does not exist is no error if the revision allows
// it.
type Value struct {
	Kind     Kind
	Key      string // any bytes
	Revision Revision
	Data     []byte
}

// NewEntry is one entry to append.
type NewEntry struct {
	Data []byte
	// IdempotencyKey, when not empty, makes a repeated append of the same key find the first one
	// for at least IdempotencyWindow.
	IdempotencyKey string
	// Fingerprint is a digest of the request; a repeated key must come with the same one.
	Fingerprint string
}

// IdempotencyWindow is how long an engine remembers an idempotency key, at least.
const IdempotencyWindow = 24 * time.Hour

// Appended is what became of one NewEntry.
type Appended struct {
	Seq      Seq
	Replayed bool // the key was seen before; Seq is the first one's
}

// Entry is one entry of a journal.
type Entry struct {
	Seq  Seq
	Data []byte
}

// FactID orders the facts of a site: the site clock in Unix milliseconds, then a number within that
// millisecond. It is never reused and grows strictly.
type FactID struct {
	Ms int64
	N  uint32
}

// Compare orders two ids as -1, 0 or +1.
func (a FactID) Compare(b FactID) int {
	return cmp.Or(cmp.Compare(a.Ms, b.Ms), cmp.Compare(a.N, b.N))
}

// IsZero reports whether the id is unset.
func (a FactID) IsZero() bool { return a == FactID{} }

// Fact is one fact to commit.
type Fact struct {
	ID   FactID
	Data []byte
}

// Record is one record to write.
type Record struct {
	Kind  Kind
	Key   string // any bytes
	Value []byte
}

// RecordKey names a record to delete.
type RecordKey struct {
	Kind Kind
	Key  string
}

// Commit is one atomic change of a site. Deletes are applied before writes. Deleting what does not
// exist is no error.
type Commit struct {
	Expect, Next Seq
	Loose        bool
	Deletes      []RecordKey
	Writes       []Record
	Facts        []Fact // ids strictly growing, and past every fact of the site
}

// Trim says what may be forgotten.
type Trim struct {
	Journal Seq
	Facts   int64 // Unix milliseconds
}

// DocumentPut is one document of several that are stored together.
type DocumentPut struct {
	Document Document // Version does not matter
	Expect   int      // the version that it replaces; 0: must not exist yet
	Keep     bool     // store nothing: what else is stored was checked against the expected version
}

// Document is one version of a configuration document.
type Document struct {
	Name    string // 1 to 128 bytes of a-z, 0-9, '-', '_', '.', '/'
	Version int    // 1, 2, 3, ...
	At      time.Time
	By      string // who stored it, for people
	Note    string
	Body    []byte
}

// CheckFormat compares the number of the form in which data is stored with the newest one that a
// store reads, from 1 on. The error is ErrFormat if the data is newer.
func CheckFormat(what string, got, newest int) error {
	switch {
	case got > newest:
		return fmt.Errorf("%s: %w: it has format %d, and this one reads up to %d: use the Lintel that wrote it, or "+
			"a newer one", what, ErrFormat, got, newest)
	case got < 1:
		return fmt.Errorf("%s: it has no format number, so that it is no data of Lintel, or is damaged", what)
	}
	return nil
}
