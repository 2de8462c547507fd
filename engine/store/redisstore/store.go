package redisstore

import (
	"context"
	"crypto/sha1" //nolint:gosec // the name that Redis gives a script
	_ "embed"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"strconv"
	"sync"
	"sync/atomic"

	"github.com/redis/go-redis/v9"

	"lintel/engine/store"
	"lintel/engine/store/internal/wake"
)

// Prefix is what every key in Redis starts with.
const Prefix = "lintel:"

// waitingPool is how many connections may wait for entries, one for each site.
const waitingPool = 10_000

// Options change how a store behaves. The zero value is right for production.
type Options struct {
	// AllowEviction lets Open take a server that throws keys away when its memory is full. Data is
	// then lost without a word. For servers that hold nothing of value only.
	AllowEviction bool
	// Existing refuses a server that has no data of Lintel: the error is store.ErrAbsent.
	Existing bool
	// Log has warnings: of a store that is new, of servers that may lose what was acknowledged.
	// Default slog.Default.
	Log *slog.Logger
}

// Store is a store.Store in Redis.
type Store struct {
	client  redis.UniversalClient
	waiting redis.UniversalClient // for reads that block
	owned   bool                  // client was made by Open and ends with the store
	opts    Options

	mark   atomic.Pointer[string] // of the data, as it was found when the store was opened
	lost   atomic.Pointer[error]  // why the data is not that which was opened
	warned sync.Map               // by address, what a server was warned of last

	lanes     lanes
	waiters   wake.Group
	listeners listeners
	entrySize atomic.Int64 // of the entries read last, on average

	// running ends when the store closes. What works for several callers at once uses it.
	running   context.Context
	stop      context.CancelFunc
	work      sync.WaitGroup
	closeOnce sync.Once
	closeErr  error
}

var _ store.Store = (*Store)(nil)

// Open connects to the Redis that url names (the package comment lists the forms) and checks that
// it can serve: that it answers, is new enough, and does not throw keys away. The error is
// store.ErrNotUp if it may be tried again, as the server does not answer or still loads its data.
func Open(ctx context.Context, url string, opts Options) (*Store, error) {
	a, err := parseURL(url)
	if err != nil {
		return nil, err
	}
	s := new(Store)
	a.OnConnect = s.onConnect
	s.init(a.client(0), a.client(waitingPool), opts)
	s.owned = true
	return s.start(ctx)
}

// New returns a store on a client that the caller made, a *redis.Client or *redis.ClusterClient,
// and closes after the store. It makes a second client of the same options for reads that wait.
func New(ctx context.Context, client redis.UniversalClient, opts Options) (*Store, error) {
	waiting, err := sibling(client, waitingPool)
	if err != nil {
		return nil, err
	}
	s := new(Store)
	s.init(client, waiting, opts)
	return s.start(ctx)
}

// start returns the store once it can serve, or closes it.
func (s *Store) start(ctx context.Context) (*Store, error) {
	err := s.wrap(s.checkServers(ctx), "connect", "")
	if err == nil {
		err = s.wrap(s.identify(ctx), "look for data", "")
	}
	if err == nil {
		err = s.wrap(s.upgrade(ctx), "check the format", "")
	}
	if err == nil {
		return s, nil
	}
	if isNotUp(err) {
		err = fmt.Errorf("%w: %w", store.ErrNotUp, err)
	}
	return nil, errors.Join(err, s.Close())
}

func (s *Store) init(client, waiting redis.UniversalClient, opts Options) {
	setLogger()
	s.client, s.waiting, s.opts = client, waiting, opts
	if s.opts.Log == nil {
		s.opts.Log = slog.Default()
	}
	s.running, s.stop = context.WithCancel(context.Background())
	_, cluster := client.(*redis.ClusterClient)
	s.lanes.perSite = cluster
}

// Close ends all waiting reads with ErrClosed, waits for appends that are on their way, and closes
// the connections.
func (s *Store) Close() error {
	s.closeOnce.Do(func() {
		s.stop()
		s.lanes.close()
		err := s.waiting.Close() // ends what blocks
		s.work.Wait()
		if s.owned {
			err = errors.Join(err, s.client.Close())
		}
		s.closeErr = err
	})
	return s.closeErr
}

func (s *Store) closed() bool { return s.running.Err() != nil }

// usable says why a call can't start.
func (s *Store) usable(ctx context.Context) error {
	if s.closed() {
		return store.ErrClosed
	}
	if lost := s.lost.Load(); lost != nil {
		return *lost
	}
	return ctx.Err()
}

// wrap says what was done when a call failed.
func (s *Store) wrap(err error, what, site string) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, redis.ErrClosed) || s.closed():
		return store.ErrClosed
	case redis.HasErrorPrefix(err, "OOM"):
		err = fmt.Errorf("%w in the memory of Redis: raise its maxmemory, or keep journal and facts for a shorter time; nothing is taken "+
			"until then, and Lintel goes on by itself (%w)", store.ErrFull, err)
	case redis.HasErrorPrefix(err, "MISCONF"):
		err = fmt.Errorf("%w on the disk of Redis, or it can't write there for another reason: its log says which; nothing is taken "+
			"until then, and Lintel goes on by itself (%w)", store.ErrFull, err)
	}
	if site != "" {
		return fmt.Errorf("redisstore: %s of site %s: %w", what, site, err)
	}
	return fmt.Errorf("redisstore: %s: %w", what, err)
}

// Keys of a site.
func siteKey(site, name string) string { return Prefix + "{" + site + "}:" + name }

func journalKey(site string) string { return siteKey(site, "journal") }
func trimmedKey(site string) string { return siteKey(site, "trimmed") }
func cursorKey(site string) string  { return siteKey(site, "cursor") }
func factsKey(site string) string   { return siteKey(site, "facts") }
func kindsKey(site string) string   { return siteKey(site, "kinds") }
func leaseKey(site string) string   { return siteKey(site, "lease") }

func recordsKey(site string, kind store.Kind) string { return siteKey(site, "records:"+string(kind)) }
func idempotencyKey(site, key string) string         { return siteKey(site, "key:"+key) }

// field is the one field of every stream entry: short, as each entry pays for it.
const field = "d"

// once is a command that must not be sent twice: it may have taken effect though no reply came.
type once struct{ *redis.Cmd }

// NoRetry implements redis.Cmder.
func (once) NoRetry() bool { return true }

// script is a Lua script that Redis runs as one step.
type script struct{ source, sha string }

func newScript(source string) script {
	sum := sha1.Sum([]byte(source)) //nolint:gosec // as above
	return script{source, hex.EncodeToString(sum[:])}
}

var (
	//go:embed lua/append.lua
	appendLua string
	//go:embed lua/commit.lua
	commitLua string
	//go:embed lua/trim.lua
	trimLua string
	//go:embed lua/documents.lua
	documentsLua string
	//go:embed lua/lease.lua
	leaseLua string
	//go:embed lua/start.lua
	startLua string
	//go:embed lua/values.lua
	valuesLua string

	appendScript    = newScript(appendLua)
	commitScript    = newScript(commitLua)
	trimScript      = newScript(trimLua)
	documentsScript = newScript(documentsLua)
	leaseScript     = newScript(leaseLua)
	startScript     = newScript(startLua)
	valuesScript    = newScript(valuesLua)
)

// command makes the command that runs a script by its digest.
func (sc *script) command(ctx context.Context, keys []string, args []any) once {
	all := make([]any, 0, 3+len(keys)+len(args))
	all = append(all, "evalsha", sc.sha, len(keys))
	for _, k := range keys {
		all = append(all, k)
	}
	return once{redis.NewCmd(ctx, append(all, args...)...)}
}

// withSource makes the command for a server that does not know the script yet.
func (sc *script) withSource(ctx context.Context, cmd once) once {
	args := append([]any(nil), cmd.Args()...)
	args[0], args[1] = "eval", sc.source
	return once{redis.NewCmd(ctx, args...)}
}

// isUnknown reports that the server does not know a script, and therefore did nothing.
func isUnknown(err error) bool { return redis.HasErrorPrefix(err, "NOSCRIPT") }

// run runs a script.
func (s *Store) run(ctx context.Context, sc *script, keys []string, args []any) (any, error) {
	cmd := sc.command(ctx, keys, args)
	err := s.client.Process(ctx, cmd)
	if isUnknown(err) {
		cmd = sc.withSource(ctx, cmd)
		err = s.client.Process(ctx, cmd)
	}
	if err != nil {
		return nil, err
	}
	return cmd.Val(), nil
}

// number reads a number that Redis keeps as text. What is not there is 0.
func number(cmd *redis.StringCmd) (store.Seq, error) {
	text, err := cmd.Result()
	if errors.Is(err, redis.Nil) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		return 0, fmt.Errorf("a number was expected in Redis: %w", err)
	}
	return store.Seq(n), nil
}

// errReply is what a script's reply of another shape than expected becomes.
var errReply = errors.New("a script's reply can't be read")
