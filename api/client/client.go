package client

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"
)

// DefaultServer is where a server listens that was told nothing else.
const DefaultServer = "http://127.0.0.1:8470"

// maxKeyBytes bounds a key; a file that is longer holds something else.
const maxKeyBytes = 512

// Client sends requests to one server with one key. It is safe for concurrent use.
type Client struct {
	base      *url.URL
	authorize func(http.Header) // a closure, so that no verb of fmt reaches the key
	http      *http.Client
}

// New makes a client of the server at an http or https URL, which may have a path that the server's
// own paths follow (behind a proxy). An empty server is DefaultServer. An empty key sends none. It
// connects to nothing yet.
func New(server, key string) (*Client, error) {
	if server == "" {
		server = DefaultServer
	}
	u, err := url.Parse(server)
	const how = "write it like https://lintel.example or " + DefaultServer
	switch {
	case err != nil: // the reason would quote the address, and with it a password
		return nil, errors.New("the server's address is not a URL: " + how)
	case u.User != nil:
		return nil, errors.New("the server's address holds a user name or password: give the key by --key-file or LINTEL_KEY instead")
	case u.Scheme != "http" && u.Scheme != "https", u.Host == "", u.Opaque != "":
		return nil, fmt.Errorf("the server's address %.200q is not an http or https URL: %s", server, how)
	case u.RawQuery != "" || u.ForceQuery || u.Fragment != "":
		return nil, errors.New("the server's address has a query or a fragment: leave it out")
	}
	u.Path, u.RawPath = strings.TrimRight(u.Path, "/"), strings.TrimRight(u.RawPath, "/")
	if err := checkKey(key); err != nil {
		return nil, err
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.DialContext = (&net.Dialer{Timeout: 10 * time.Second}).DialContext
	return &Client{
		base: u,
		authorize: func(h http.Header) {
			if key != "" {
				h.Set("Authorization", "Bearer "+key)
			}
		},
		http: &http.Client{
			Transport: transport,
			// A redirect would take the key, or a change that was meant for here, elsewhere.
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		},
	}, nil
}

// checkKey refuses what can't be in a header. It never quotes the key.
func checkKey(key string) error {
	if len(key) > maxKeyBytes {
		return fmt.Errorf("the key has %d bytes, at most %d can be one", len(key), maxKeyBytes)
	}
	for i := range len(key) {
		if c := key[i]; c <= ' ' || c > '~' {
			return errors.New("the key has a space, a line break or a byte outside ASCII: copy it again, it is \"lk_\" and 43 characters")
		}
	}
	return nil
}

// Server returns the server's address, without a slash at its end.
func (c *Client) Server() string { return c.base.String() }

// String names the server.
func (c *Client) String() string { return "client of " + c.Server() }

// Accept304 is a header that, set to any value, lets Do return an answer 304 instead of an error.
// It is not sent.
const Accept304 = "X-Lintel-Accept-304"

// Do sends a request to a path of the server, which may have a query and must be percent-encoded,
// and returns its answer. The caller closes the answer's body, which is never nil. header may be
// nil; what it has wins over what Do sets. An answer that is not 2xx is an error of type *Problem,
// and its body is closed. There is no time limit but ctx's.
func (c *Client) Do(ctx context.Context, method, path string, header http.Header, body io.Reader) (*http.Response, error) {
	if !strings.HasPrefix(path, "/") {
		return nil, fmt.Errorf("the path %q does not begin with a slash", path)
	}
	req, err := http.NewRequestWithContext(ctx, method, c.base.String()+path, body)
	if err != nil {
		return nil, err
	}
	if req.URL.Host != c.base.Host || req.URL.User != nil {
		return nil, errors.New("the path leads to another server") // can't be: the path begins with a slash
	}
	req.Header.Set("User-Agent", "lintel")
	c.authorize(req.Header)
	for name, values := range header {
		req.Header[http.CanonicalHeaderKey(name)] = values
	}
	take304 := req.Header.Get(Accept304) != ""
	req.Header.Del(Accept304)
	res, err := c.http.Do(req)
	if err != nil {
		return nil, sayUnreachable(err, c.Server())
	}
	if res.StatusCode/100 == 2 || res.StatusCode == http.StatusNotModified && take304 {
		return res, nil
	}
	defer res.Body.Close()
	return nil, readProblem(res)
}

// Close closes connections that wait for another request.
func (c *Client) Close() { c.http.CloseIdleConnections() }

// sayUnreachable adds what to look at when there is no connection at all.
func sayUnreachable(err error, server string) error {
	var op *net.OpError
	if errors.As(err, &op) && op.Op == "dial" {
		return fmt.Errorf("no server answers at %s (is it running, and is --server right?): %w", server, op)
	}
	return err
}

// Flags say which server and which key. Commands embed them; the tags are those of kong.
type Flags struct {
	Server  string `help:"Address of the server." default:"http://127.0.0.1:8470" env:"LINTEL_SERVER" placeholder:"URL"`
	Key     string `help:"Key to use. Prefer the variable or a file: a command line can be read by others." env:"LINTEL_KEY" placeholder:"KEY"`
	KeyFile string `help:"File that holds the key." env:"LINTEL_KEY_FILE" type:"path" placeholder:"FILE"`
}

// Client makes the client that the flags describe.
func (f Flags) Client() (*Client, error) {
	key := f.Key
	if f.KeyFile != "" {
		if key != "" {
			return nil, errors.New("there are two keys: give --key (LINTEL_KEY) or --key-file (LINTEL_KEY_FILE), not both")
		}
		var err error
		if key, err = readKey(f.KeyFile); err != nil {
			return nil, err
		}
	}
	return New(f.Server, key)
}

// readKey reads a key from a file: its one line that is not empty.
func readKey(name string) (string, error) {
	file, err := os.Open(name)
	if err != nil {
		return "", fmt.Errorf("the file of the key: %w", err)
	}
	defer file.Close()
	b, err := io.ReadAll(io.LimitReader(file, 4*maxKeyBytes))
	if err != nil {
		return "", fmt.Errorf("the file of the key: %w", err)
	}
	key := strings.TrimSpace(string(b))
	if key == "" {
		return "", fmt.Errorf("the file of the key, %s, is empty", name)
	}
	if err := checkKey(key); err != nil {
		return "", fmt.Errorf("the file %s: %w", name, err)
	}
	return key, nil
}
