package redisstore

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/redis/go-redis/v9"
	"github.com/redis/go-redis/v9/maintnotifications"

	"lintel/engine/store"
)

// address is a parsed URL.
type address struct {
	form     string // "", "sentinel" or "cluster"
	tls      bool
	user     string
	password string
	hosts    []string // host:port
	master   string   // sentinel only
	db       int
	pool     int           // 0: the client's default
	timeout  time.Duration // 0: the client's default

	sentinelUser, sentinelPassword string
}

// badURL makes an error about a URL. What goes into it must not come from the part before the hosts, where the password is.
func badURL(format string, args ...any) error {
	return fmt.Errorf("%w: Redis URL: "+format, append([]any{store.ErrInvalid}, args...)...)
}

// parseURL reads the forms that the package comment lists. It does not use net/url for the whole: that knows no lists of hosts, and its
// errors show passwords.
func parseURL(s string) (*address, error) {
	scheme, rest, ok := strings.Cut(s, "://")
	if !ok {
		return nil, badURL("it has no ://; write it like redis://localhost:6379")
	}
	a := &address{}
	scheme, a.form, _ = strings.Cut(scheme, "+")
	a.tls = scheme == "rediss"
	if scheme != "redis" && scheme != "rediss" || a.form != "" && a.form != "sentinel" && a.form != "cluster" {
		return nil, badURL("what stands before :// must be redis or rediss, alone or with +sentinel or +cluster")
	}
	rest, query, _ := strings.Cut(rest, "?")
	// The last @ ends the credentials, so that one forgotten to be encoded does not put half a password among the hosts.
	if i := strings.LastIndexByte(rest, '@'); i >= 0 {
		if err := a.setCredentials(rest[:i]); err != nil {
			return nil, err
		}
		rest = rest[i+1:]
	}
	hosts, path, _ := strings.Cut(rest, "/")
	if err := a.setHosts(hosts); err != nil {
		return nil, err
	}
	if err := a.setPath(path); err != nil {
		return nil, err
	}
	if err := a.setOptions(query); err != nil {
		return nil, err
	}
	return a, nil
}

func (a *address) setCredentials(s string) error {
	user, password, hasPassword := strings.Cut(s, ":")
	var errs [2]error
	a.user, errs[0] = url.PathUnescape(user)
	a.password, errs[1] = url.PathUnescape(password)
	if errs[0] != nil || errs[1] != nil {
		return badURL("user or password has a %% that starts no code of two hexadecimal digits; write %% itself as %%25")
	}
	if !hasPassword {
		return badURL("before @ stand user:password or :password")
	}
	return nil
}

func (a *address) setHosts(s string) error {
	defaultPort := "6379"
	if a.form == "sentinel" {
		defaultPort = "26379"
	}
	for i, h := range strings.Split(s, ",") {
		host, port := h, defaultPort
		if strings.Contains(strings.TrimPrefix(h, "["), ":") && !strings.HasSuffix(h, "]") {
			var err error
			if host, port, err = net.SplitHostPort(h); err != nil {
				return badURL("host %d is not host:port (an IPv6 address stands in [])", i+1)
			}
		} else {
			host = strings.TrimSuffix(strings.TrimPrefix(h, "["), "]")
		}
		if host == "" {
			return badURL("host %d is empty", i+1)
		}
		if n, err := strconv.ParseUint(port, 10, 16); err != nil || n == 0 {
			return badURL("the port of host %d is not a number from 1 to 65535", i+1)
		}
		a.hosts = append(a.hosts, net.JoinHostPort(host, port))
	}
	if a.form == "" && len(a.hosts) > 1 {
		return badURL("it lists %d hosts; several make sense with redis+cluster:// or redis+sentinel://", len(a.hosts))
	}
	return nil
}

func (a *address) setPath(path string) error {
	switch {
	case a.form == "sentinel":
		if a.master = path; path == "" || strings.Contains(path, "/") {
			return badURL("after the sentinels comes /NAME, the name by which they know the master")
		}
	case path == "":
	case a.form == "cluster":
		return badURL("a cluster has no databases: nothing comes after its hosts but ?options")
	default:
		return a.setDB(path)
	}
	return nil
}

func (a *address) setDB(s string) (err error) {
	if a.db, err = strconv.Atoi(s); err != nil || a.db < 0 {
		return badURL("the database is not a number from 0")
	}
	return nil
}

// options are the names that may follow the question mark.
var options = []string{"db", "pool", "sentinel_password", "sentinel_user", "timeout"}

func (a *address) setOptions(query string) error {
	if query == "" {
		return nil
	}
	values, err := url.ParseQuery(query)
	if err != nil {
		return badURL("the options after ? can't be read: each is name=value, with & between them")
	}
	for _, name := range options {
		if len(values[name]) > 1 {
			return badURL("option %s stands there twice", name)
		}
	}
	for name := range values {
		if !slices.Contains(options, name) {
			return badURL("there is an unknown option; the options are %s", strings.Join(options, ", "))
		}
	}
	if v := values.Get("db"); v != "" {
		if a.form == "cluster" {
			return badURL("a cluster has no databases: leave out db")
		}
		if err := a.setDB(v); err != nil {
			return err
		}
	}
	if v := values.Get("pool"); v != "" {
		if a.pool, err = strconv.Atoi(v); err != nil || a.pool < 1 || a.pool > 10_000 {
			return badURL("option pool is not a number from 1 to 10000")
		}
	}
	if v := values.Get("timeout"); v != "" {
		if a.timeout, err = time.ParseDuration(v); err != nil || a.timeout <= 0 {
			return badURL("option timeout is not a time such as 5s")
		}
	}
	a.sentinelUser, a.sentinelPassword = values.Get("sentinel_user"), values.Get("sentinel_password")
	if a.form != "sentinel" && (a.sentinelUser != "" || a.sentinelPassword != "") {
		return badURL("sentinel_user and sentinel_password go with redis+sentinel:// only")
	}
	return nil
}

// errNoConnections is returned for a client whose kind is not known.
var errNoConnections = errors.New("redisstore: the client must be a *redis.Client or a *redis.ClusterClient")

// client makes a client. Commands are never sent again by the client itself, except to the node of a cluster that is in charge.
func (a *address) client(pool int) redis.UniversalClient {
	if a.pool > 0 && pool == 0 {
		pool = a.pool
	}
	var conf *tls.Config
	if a.tls {
		conf = &tls.Config{MinVersion: tls.VersionTLS12}
	}
	switch a.form {
	case "cluster":
		return redis.NewClusterClient(&redis.ClusterOptions{
			Addrs: a.hosts, Username: a.user, Password: a.password, TLSConfig: conf,
			PoolSize: pool, ReadTimeout: a.timeout, WriteTimeout: a.timeout, ContextTimeoutEnabled: true, MaintNotificationsConfig: quiet(),
		})
	case "sentinel":
		return redis.NewFailoverClient(&redis.FailoverOptions{
			MasterName: a.master, SentinelAddrs: a.hosts, SentinelUsername: a.sentinelUser, SentinelPassword: a.sentinelPassword,
			Username: a.user, Password: a.password, DB: a.db, TLSConfig: conf,
			PoolSize: pool, ReadTimeout: a.timeout, WriteTimeout: a.timeout, ContextTimeoutEnabled: true, MaxRetries: -1,
		})
	default:
		return redis.NewClient(&redis.Options{
			Addr: a.hosts[0], Username: a.user, Password: a.password, DB: a.db, TLSConfig: conf,
			PoolSize: pool, ReadTimeout: a.timeout, WriteTimeout: a.timeout, ContextTimeoutEnabled: true, MaxRetries: -1,
			MaintNotificationsConfig: quiet(),
		})
	}
}

// quiet turns off notices of planned maintenance, which only some hosted servers send and which each new connection would ask for.
func quiet() *maintnotifications.Config {
	return &maintnotifications.Config{Mode: maintnotifications.ModeDisabled}
}

// sibling makes a client like another, with connections of its own.
func sibling(client redis.UniversalClient, pool int) (redis.UniversalClient, error) {
	switch c := client.(type) {
	case *redis.Client:
		o := *c.Options()
		o.PoolSize, o.MinIdleConns, o.MaxIdleConns, o.MaxActiveConns = pool, 0, 0, 0
		o.PushNotificationProcessor, o.MaintNotificationsConfig = nil, quiet()
		return redis.NewClient(&o), nil
	case *redis.ClusterClient:
		o := *c.Options()
		o.PoolSize, o.MinIdleConns, o.MaxIdleConns, o.MaxActiveConns = pool, 0, 0, 0
		o.PushNotificationProcessor, o.MaintNotificationsConfig = nil, quiet()
		return redis.NewClusterClient(&o), nil
	}
	return nil, errNoConnections
}
