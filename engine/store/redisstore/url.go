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

// address is a parsed URL: the options of a client, and the form that the URL had.
type address struct {
	redis.UniversalOptions
	form string // "", "sentinel" or "cluster"
}

// badURL makes an error about a URL. What goes into it must not come from the part before the
// hosts, where the password is.
func badURL(format string, args ...any) error {
	return fmt.Errorf("%w: Redis URL: "+format, append([]any{store.ErrInvalid}, args...)...)
}

// parseURL reads the forms that the package comment lists. It does not use net/url for the whole:
// that knows no lists of hosts, and its errors show passwords.
func parseURL(s string) (*address, error) {
	scheme, rest, ok := strings.Cut(s, "://")
	if !ok {
		return nil, badURL("it has no ://; write it like redis://localhost:6379")
	}
	a := &address{UniversalOptions: redis.UniversalOptions{
		ContextTimeoutEnabled: true, MaintNotificationsConfig: quiet(),
		MaxRetries: -1, // no command is sent again, except to the node of a cluster that is in charge
	}}
	scheme, a.form, _ = strings.Cut(scheme, "+")
	a.IsClusterMode = a.form == "cluster"
	if scheme == "rediss" {
		a.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12}
	}
	if scheme != "redis" && scheme != "rediss" || a.form != "" && a.form != "sentinel" && a.form != "cluster" {
		return nil, badURL("what stands before :// must be redis or rediss, alone or with +sentinel or +cluster")
	}
	rest, query, _ := strings.Cut(rest, "?")
	// The last @ ends the credentials, so that one forgotten to be encoded does not put half a
	// password among the hosts.
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
	a.Username, errs[0] = url.PathUnescape(user)
	a.Password, errs[1] = url.PathUnescape(password)
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
		a.Addrs = append(a.Addrs, net.JoinHostPort(host, port))
	}
	if a.form == "" && len(a.Addrs) > 1 {
		return badURL("it lists %d hosts; several make sense with redis+cluster:// or redis+sentinel://", len(a.Addrs))
	}
	return nil
}

func (a *address) setPath(path string) error {
	switch {
	case a.form == "sentinel":
		if a.MasterName = path; path == "" || strings.Contains(path, "/") {
			return badURL("after the sentinels comes /NAME, the name by which they know the master")
		}
	case path == "":
	case a.IsClusterMode:
		return badURL("a cluster has no databases: nothing comes after its hosts but ?options")
	default:
		return a.setDB(path)
	}
	return nil
}

func (a *address) setDB(s string) (err error) {
	if a.DB, err = strconv.Atoi(s); err != nil || a.DB < 0 {
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
		if a.IsClusterMode {
			return badURL("a cluster has no databases: leave out db")
		}
		if err := a.setDB(v); err != nil {
			return err
		}
	}
	if v := values.Get("pool"); v != "" {
		if a.PoolSize, err = strconv.Atoi(v); err != nil || a.PoolSize < 1 || a.PoolSize > 10_000 {
			return badURL("option pool is not a number from 1 to 10000")
		}
	}
	if v := values.Get("timeout"); v != "" {
		if a.ReadTimeout, err = time.ParseDuration(v); err != nil || a.ReadTimeout <= 0 {
			return badURL("option timeout is not a time such as 5s")
		}
		a.WriteTimeout = a.ReadTimeout
	}
	a.SentinelUsername, a.SentinelPassword = values.Get("sentinel_user"), values.Get("sentinel_password")
	if a.form != "sentinel" && (a.SentinelUsername != "" || a.SentinelPassword != "") {
		return badURL("sentinel_user and sentinel_password go with redis+sentinel:// only")
	}
	return nil
}

// errNoConnections is returned for a client whose kind is not known.
var errNoConnections = errors.New("redisstore: the client must be a *redis.Client or a *redis.ClusterClient")

// client makes a client with a pool of that size, or 0: of the URL's, or else the client's default.
func (a *address) client(pool int) redis.UniversalClient {
	o := a.UniversalOptions
	if pool > 0 {
		o.PoolSize = pool
	}
	if o.IsClusterMode {
		c := o.Cluster()
		// Else a node that took over is found up to a minute later: connections that are refused
		// are no reason for the client to look who is in charge.
		c.ClusterStateReloadInterval = time.Second
		return redis.NewClusterClient(c)
	}
	return redis.NewUniversalClient(&o)
}

// quiet turns off notices of planned maintenance, which only some hosted servers send and which
// each new connection would ask for.
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
