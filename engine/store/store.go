package store

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Errors that callers tell apart with errors.Is. Everything else an engine returns is a failure of the engine itself and may be tried again.
var (
	// ErrConflict says that the site's cursor, or the document's version, is no longer what the caller expected. Nothing was changed.
	ErrConflict = errors.New("store: the cursor or version moved on")
	// ErrIdempotencyMismatch says that the idempotency key was used before with another fingerprint. Nothing was appended.
	ErrIdempotencyMismatch = errors.New("store: idempotency key was used with another request")
	// ErrNotFound says that the document, or that version of it, does not exist.
	ErrNotFound = errors.New("store: not found")
	// ErrTrimmed says that entries after the given sequence number were already trimmed, so a reader can't go on from there.
	ErrTrimmed = errors.New("store: journal was trimmed past this point")
	// ErrClosed says that the store was closed.
	ErrClosed = errors.New("store: closed")
	// ErrFormat says that what is stored has a form that this Lintel cannot read, since a newer one wrote it.
	ErrFormat = errors.New("written by a newer Lintel")
)

// Seq numbers the entries of one site's journal: 1, 2, 3, ... without holes. As a cursor, 0 means that nothing was folded yet.
type Seq uint64

// Kind names a family of records, for example "item" or "alert". Lower-case letters only, at most 16 bytes.
type Kind string

// Store is what an engine implements. All methods are safe for concurrent use. A site name is 1 to 64 bytes of a-z, 0-9, '-', '_'.
type Store interface {
	// Append adds entries to the end of the site's journal, in the order given, and returns one result for each. It is one atomic step: all
	// or none are added (an entry whose idempotency key was seen before is not added again: its result names the first one's Seq and says Replayed).
	// If any key was used with another fingerprint, nothing is added and the error is ErrIdempotencyMismatch.
	Append(ctx context.Context, site string, entries ...NewEntry) ([]Appended, error)

	// Read returns up to max entries after the given sequence number, oldest first. With none there it waits up to wait (0: not at all)
	// for one to be appended, by this process or another, and then returns an empty slice and no error. An engine may return fewer than max if
	// they are large (about 16 MB), never none. ErrTrimmed if after+1 was trimmed away. ErrConflict if after is past the newest entry: the store lost
	// what the reader saw (an older backup, a failover), so the reader must load the site again.
	Read(ctx context.Context, site string, after Seq, max int, wait time.Duration) ([]Entry, error)

	// Records calls fn for records of the site as of one cursor, which it returns. With keys it yields just those that exist, in any order;
	// without keys, every record of the kind; with kind "" (and no keys), every record of every kind. fn must not keep value after it returns and must not
	// call the store. If a commit lands while a long listing runs, the engine must still yield one consistent cut or return ErrConflict (the caller tries again).
	Records(ctx context.Context, site string, kind Kind, keys []string, fn func(kind Kind, key string, value []byte) error) (Seq, error)

	// Commit applies c in one atomic step if the site's cursor equals c.Expect, else ErrConflict. With c.Loose the cursor is neither
	// checked nor changed: for records that the fold creates and others update, such as deliveries.
	Commit(ctx context.Context, site string, c Commit) error

	// Cursor returns the site's cursor and the Seq of the newest journal entry (0, 0 for a site never written).
	Cursor(ctx context.Context, site string) (cursor, newest Seq, err error)

	// Facts calls fn for the facts of the site with from <= id < to, in order of id (to zero: no bound), at most limit (0: no bound).
	// fn may keep nothing of data after it returns; an error from fn ends the listing and is returned.
	Facts(ctx context.Context, site string, from, to FactID, limit int, fn func(id FactID, data []byte) error) error

	// Trim drops journal entries up to and including t.Journal (never past the cursor) and facts before t.Facts.
	Trim(ctx context.Context, site string, t Trim) error

	// PutDocument stores the next version of a document. expect is the version it replaces (0: must not exist yet); ErrConflict if another
	// was stored meanwhile. It returns the new version, which is expect+1.
	PutDocument(ctx context.Context, d Document, expect int) (int, error)
	// PutDocuments stores the next versions of several documents in one atomic step: if each is at the version that its put expects, all are stored, so that
	// the new version of each is Expect+1; otherwise nothing is, and the error is ErrConflict. A put with Keep stores nothing: its document must only be at that
	// version. No document may be named twice. No puts at all are no error.
	PutDocuments(ctx context.Context, puts []DocumentPut) error
	// GetDocument returns one version of a document; version 0 asks for the newest.
	GetDocument(ctx context.Context, name string, version int) (Document, error)
	// ListDocuments returns the newest version of each document whose name starts with prefix, by name, without bodies.
	ListDocuments(ctx context.Context, prefix string) ([]Document, error)
	// DocumentVersions returns every version of one document without bodies, newest first.
	DocumentVersions(ctx context.Context, name string) ([]Document, error)

	// Lease takes or renews the site's lease for owner for ttl, and reports whether owner holds it now. ttl 0 gives it up.
	Lease(ctx context.Context, site, owner string, ttl time.Duration) (held bool, err error)

	// Ping answers whether the store can serve right now.
	Ping(ctx context.Context) error
	// Close ends all waiting reads with ErrClosed and releases everything. It is safe to call twice.
	Close() error
}

// Importer is implemented by engines that can take a site over from another store. Everything else of the site goes over by Append and Commit.
type Importer interface {
	// StartJournal makes the next entry of a site that was never written get the number newest+1, as if all before were trimmed.
	// ErrConflict if the site has entries or a cursor.
	StartJournal(ctx context.Context, site string, newest Seq) error
}

// NewEntry is one entry to append.
type NewEntry struct {
	Data []byte
	// IdempotencyKey, when not empty, makes a repeated append of the same key find the first one for at least IdempotencyWindow.
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

// FactID orders the facts of a site: the site clock in Unix milliseconds, then a number within that millisecond. Never reused, strictly growing.
type FactID struct {
	Ms int64
	N  uint32
}

// Compare orders two ids as -1, 0 or +1.
func (a FactID) Compare(b FactID) int {
	switch {
	case a.Ms != b.Ms:
		if a.Ms < b.Ms {
			return -1
		}
		return 1
	case a.N != b.N:
		if a.N < b.N {
			return -1
		}
		return 1
	}
	return 0
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

// Commit is one atomic change of a site. Deletes are applied before writes. Deleting what does not exist is no error.
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
	Keep     bool     // store nothing, only see to it that the version is the expected one: what else is stored was checked against it
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

// CheckFormat compares the number of the form in which data is stored with the newest one that a store
// reads, from 1 on. The error is ErrFormat if the data is newer.
func CheckFormat(what string, got, newest int) error {
	switch {
	case got > newest:
		return fmt.Errorf("%s: %w: it has format %d, and this one reads up to %d: use the Lintel that wrote it, or a newer one", what, ErrFormat, got, newest)
	case got < 1:
		return fmt.Errorf("%s: it has no format number, so that it is no data of Lintel, or is damaged", what)
	}
	return nil
}
