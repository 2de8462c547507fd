package boltstore

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"

	"lintel/engine/store"
	"lintel/engine/store/internal/lease"
	"lintel/engine/store/internal/wake"
)

// ErrInUse says that another process has the directory open.
var ErrInUse = errors.New("boltstore: another process is using this directory")

// FileName is the name of the file in the directory.
const FileName = "lintel.db"

// format is the layout of the file; see the package comment. It grows when an older program could
// not read the file any more. Files of format 1 are changed to this one when they are opened.
const format = 2

// Options change how a store behaves. The zero value is right for production.
type Options struct {
	// LockTimeout is how long Open waits for another process to let go of the directory. 0 means
	// half a second.
	LockTimeout time.Duration
	// NoSync leaves out the fsync. What was acknowledged can then be lost when the machine stops.
	// For tests and benchmarks only.
	NoSync bool
	// Existing refuses to make a new store: the error is store.ErrAbsent.
	Existing bool
	// Log has a warning when a new store was made. Default slog.Default.
	Log *slog.Logger

	maxSize int // of the file, to test a full disk
}

// Store is a store.Store in one file.
type Store struct {
	dir  string
	opts Options

	// mu is held for reading while db is in use, and for writing while it is closed or opened
	// again.
	mu     sync.RWMutex
	db     *bbolt.DB
	opened os.FileInfo // of db's file
	broken error       // why db is nil, unless the store was closed

	full atomic.Pointer[error] // the last write found no room

	writer  writer
	waiters wake.Group
	leases  lease.Table

	closing   chan struct{}
	closeOnce sync.Once
	closeErr  error
}

var _ store.Store = (*Store)(nil)

// Open opens the store in dir, which is made if it does not exist. The error is ErrInUse if another
// process has it open, and store.ErrDamaged if the file can't be read: it reads all of it once.
func Open(dir string, opts Options) (*Store, error) {
	if opts.LockTimeout <= 0 {
		opts.LockTimeout = 500 * time.Millisecond
	}
	if opts.Log == nil {
		opts.Log = slog.Default()
	}
	s := &Store{dir: dir, opts: opts, closing: make(chan struct{})}
	isNew, err := isNew(s.path())
	if err != nil {
		return nil, err
	}
	if isNew && opts.Existing {
		return nil, fmt.Errorf("%w: %s has no %s: is the directory the right one, and mounted?", store.ErrAbsent, dir, FileName)
	}
	if err := makeDir(dir); err != nil {
		return nil, fmt.Errorf("boltstore: make the data directory: %w", err)
	}
	if err := s.openFile(); err != nil {
		return nil, err
	}
	if isNew {
		opts.Log.Warn("made a new store: there was none", "dir", dir)
	}
	s.writer.start(s)
	if err := s.upgrade(context.Background()); err != nil {
		return nil, errors.Join(fmt.Errorf("boltstore: change %s to format %d: %w", FileName, format, err), s.Close())
	}
	return s, nil
}

// makeDir makes dir, readable by its owner only, and puts the fact that it exists on the disk.
func makeDir(dir string) error {
	if _, err := os.Stat(dir); err == nil {
		return nil
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	return syncDir(filepath.Dir(dir))
}

// syncDir puts the names in a directory on the disk: fsync of a new file does not do that.
func syncDir(dir string) error {
	if runtime.GOOS == "windows" {
		return nil // it has no such call
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

func (s *Store) path() string { return filepath.Join(s.dir, FileName) }

// isNew reports that there is no file at path, or an empty one.
func isNew(path string) (bool, error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return true, nil
	}
	return err == nil && info.Size() == 0, err
}

// verify checks a file that exists, while nobody can write to it.
func (s *Store) verify() error {
	if isNew, err := isNew(s.path()); err != nil || isNew {
		return err
	}
	// Opening a file for reading looks at its first pages only; it holds the lock.
	locked, err := bbolt.Open(s.path(), 0o600, &bbolt.Options{Timeout: s.opts.LockTimeout, ReadOnly: true})
	switch {
	case errors.Is(err, bolterrors.ErrTimeout), errors.Is(err, fs.ErrPermission):
		return err
	case err != nil:
		return damaged("%w", err)
	}
	return errors.Join(Verify(s.path()), locked.Close())
}

// openFile sets s.db. The caller holds mu, or is Open.
func (s *Store) openFile() (err error) {
	path := s.path()
	defer func() {
		// bbolt panics on what it does not expect. Nothing is known that Verify lets pass; the file
		// would stay locked by this process.
		if p := recover(); p != nil {
			err = fmt.Errorf("boltstore: open %s: %w", path, damaged("%v", p))
		}
	}()
	o := &bbolt.Options{
		Timeout:      s.opts.LockTimeout,
		NoSync:       s.opts.NoSync,
		FreelistType: bbolt.FreelistMapType,
		// The list of free pages can be found again by looking at the others; writing it with each
		// transaction costs more than that.
		NoFreelistSync: true,
		PageSize:       4096,
		MaxSize:        s.opts.maxSize,
	}
	if strconv.IntSize == 64 && runtime.GOOS != "windows" && s.opts.maxSize == 0 {
		// Address space, not memory: growing the map has to wait for all readers, so start with
		// plenty.
		o.InitialMmapSize = 1 << 30
	}
	var db *bbolt.DB
	if err = s.verify(); err == nil {
		db, err = bbolt.Open(path, 0o600, o)
	}
	switch {
	case errors.Is(err, bolterrors.ErrTimeout):
		return fmt.Errorf("%w: %s: end it, or choose another directory", ErrInUse, s.dir)
	case err != nil:
		return fmt.Errorf("boltstore: open %s: %w", path, err)
	}
	err = errors.Join(initFile(db), syncDir(s.dir))
	if err == nil {
		s.opened, err = os.Stat(path)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("boltstore: open %s: %w", path, err), db.Close())
	}
	s.db, s.broken = db, nil
	return nil
}

// initFile makes the outer buckets of a new file and checks the format of one that exists.
func initFile(db *bbolt.DB) error {
	exists := false
	err := db.View(func(tx *bbolt.Tx) error {
		meta := tx.Bucket(bucketMeta)
		switch {
		case meta == nil && tx.ID() > 1: // the first transaction made it
			return damaged("it has no bucket %s, so that it is no store or a torn copy of one", bucketMeta)
		case meta == nil:
			return nil
		}
		exists = true
		if err := store.CheckFormat("the file", int(getUint(meta, keyFormat)), format); err != nil {
			return err
		}
		return checkBuckets(tx)
	})
	if err != nil || exists {
		return err
	}
	return db.Update(func(tx *bbolt.Tx) error {
		for _, name := range [][]byte{bucketMeta, bucketDocuments, bucketSites, bucketValues} {
			if _, err := tx.CreateBucketIfNotExists(name); err != nil {
				return err
			}
		}
		return putUint(tx.Bucket(bucketMeta), keyFormat, format)
	})
}

// checkBuckets looks for the buckets that everything else takes for given.
func checkBuckets(tx *bbolt.Tx) error {
	sites := tx.Bucket(bucketSites)
	if sites == nil || tx.Bucket(bucketDocuments) == nil {
		return damaged("it lacks a bucket")
	}
	return sites.ForEachBucket(func(name []byte) error {
		for _, sub := range siteBuckets {
			if sites.Bucket(name).Bucket(sub) == nil {
				return damaged("site %q lacks the bucket %s", name, sub)
			}
		}
		return nil
	})
}

// view runs fn in a reading transaction.
func (s *Store) view(ctx context.Context, fn func(tx *bbolt.Tx) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	if err := s.usable(); err != nil {
		return err
	}
	return s.db.View(fn)
}

// usable says why there is no db. The caller holds mu.
func (s *Store) usable() error {
	switch {
	case s.isClosing():
		return store.ErrClosed
	case s.db == nil:
		return s.broken
	}
	return nil
}

func (s *Store) isClosing() bool {
	select {
	case <-s.closing:
		return true
	default:
		return false
	}
}

// inPlace returns store.ErrLost if the file was deleted or replaced since it was opened: what is
// written goes to no name any more. The caller is the writer, or holds mu.
func (s *Store) inPlace() error {
	info, err := os.Stat(s.path())
	if errors.Is(err, fs.ErrNotExist) || err == nil && !os.SameFile(info, s.opened) {
		return fmt.Errorf("%w: %s was deleted or replaced while it is in use: stop Lintel, put the file back or restore a backup",
			store.ErrLost, s.path())
	}
	return nil
}

// Ping answers whether the file can be read and written, and is still the one that was opened.
func (s *Store) Ping(ctx context.Context) error {
	s.mu.RLock()
	broken := s.db == nil
	lost := error(nil)
	if !broken {
		lost = s.inPlace()
	}
	s.mu.RUnlock()
	if lost != nil {
		return lost
	}
	if broken && !s.isClosing() {
		// The writer opens the file again, if it can.
		return s.write(ctx, 0, func(*bbolt.Tx, time.Time) (bool, error) { return false, nil })
	}
	if s.full.Load() != nil { // a site that takes nothing writes nothing: look whether there is room again
		return s.write(ctx, 0, func(tx *bbolt.Tx, _ time.Time) (bool, error) {
			return true, putUint(tx.Bucket(bucketMeta), keyFormat, format)
		})
	}
	return s.view(ctx, func(*bbolt.Tx) error { return nil })
}

// Close ends all waiting reads with ErrClosed, lets the transaction that is being written end, and
// closes the file.
func (s *Store) Close() error {
	s.closeOnce.Do(func() {
		close(s.closing)
		s.writer.wait()
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.db != nil {
			s.closeErr = s.db.Close()
			s.db = nil
		}
	})
	return s.closeErr
}

// Names in the file.
var (
	bucketMeta      = []byte("meta")
	bucketDocuments = []byte("documents")
	bucketSites     = []byte("sites")
	bucketValues    = []byte("values")

	bucketJournal  = []byte("journal")
	bucketRecords  = []byte("records")
	bucketFacts    = []byte("facts")
	bucketKeys     = []byte("keys")
	bucketExpiries = []byte("expiries")

	siteBuckets = [][]byte{bucketJournal, bucketRecords, bucketFacts, bucketKeys, bucketExpiries}

	keyFormat   = []byte("format")
	keyRevision = []byte("revision")
	keyCursor   = []byte("cursor")
	keyNewest   = []byte("newest")
	keyLastFact = []byte("lastfact")
)

// site is the buckets of one site.
type site struct {
	root, journal, records, facts, keys, expiries *bbolt.Bucket
}

// findSite returns nil if the site was never written.
func findSite(tx *bbolt.Tx, name string) *site {
	root := tx.Bucket(bucketSites).Bucket([]byte(name))
	if root == nil {
		return nil
	}
	b := &site{
		root:     root,
		journal:  root.Bucket(bucketJournal),
		records:  root.Bucket(bucketRecords),
		facts:    root.Bucket(bucketFacts),
		keys:     root.Bucket(bucketKeys),
		expiries: root.Bucket(bucketExpiries),
	}
	// These only grow at their ends, so pages may be packed full.
	b.journal.FillPercent = 0.95
	b.facts.FillPercent = 0.95
	b.expiries.FillPercent = 0.95
	return b
}

func makeSite(tx *bbolt.Tx, name string) (*site, error) {
	if b := findSite(tx, name); b != nil {
		return b, nil
	}
	root, err := tx.Bucket(bucketSites).CreateBucket([]byte(name))
	if err != nil {
		return nil, err
	}
	for _, sub := range siteBuckets {
		if _, err := root.CreateBucket(sub); err != nil {
			return nil, err
		}
	}
	return findSite(tx, name), nil
}

func (b *site) cursor() store.Seq {
	if b == nil {
		return 0
	}
	return store.Seq(getUint(b.root, keyCursor))
}

func (b *site) newest() store.Seq {
	if b == nil {
		return 0
	}
	return store.Seq(getUint(b.root, keyNewest))
}

func seqKey(seq store.Seq) []byte { return binary.BigEndian.AppendUint64(nil, uint64(seq)) }

func factKey(id store.FactID) []byte {
	return binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint64(nil, uint64(id.Ms)), id.N)
}

func readFactKey(k []byte) store.FactID {
	return store.FactID{Ms: int64(binary.BigEndian.Uint64(k)), N: binary.BigEndian.Uint32(k[8:])}
}

func appendRecordKey(b []byte, kind store.Kind, key string) []byte {
	return append(append(append(b, kind...), 0), key...)
}

func getUint(b *bbolt.Bucket, key []byte) uint64 {
	v := b.Get(key)
	if len(v) != 8 {
		return 0
	}
	return binary.BigEndian.Uint64(v)
}

func putUint(b *bbolt.Bucket, key []byte, v uint64) error {
	return b.Put(key, binary.BigEndian.AppendUint64(nil, v))
}
