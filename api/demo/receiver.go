package demo

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"

	"lintel/engine/deliver"
	"lintel/engine/event"
)

// hook is a webhook as the receiver saw it.
type hook struct {
	at      time.Time // real
	channel string
	id      string // header webhook-id
	err     error  // what was wrong with it, nil if its signature is good
	again   bool   // the id was seen before
	body    hookBody
}

// hookBody is the part of the body that the demonstration shows.
type hookBody struct {
	Type      string    `json:"type"`
	Timestamp time.Time `json:"timestamp"` // of the shop's clock
	Data      struct {
		Alert event.AlertView `json:"alert"`
		Order int             `json:"order"`
	} `json:"data"`
}

// receiver is a small program at the other end of the webhooks: it checks each signature and drops
// what it has seen.
type receiver struct {
	secrets map[string]string // by channel
	got     func(hook)

	server   *http.Server
	listener net.Listener
	done     chan struct{}

	mu   sync.Mutex
	seen map[string]bool
}

// maxHook is more than any webhook has.
const maxHook = 1 << 20

// startReceiver listens on loopback. got is called for each webhook.
func startReceiver(secrets map[string]string, got func(hook)) (*receiver, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	r := &receiver{secrets: secrets, got: got, listener: l, done: make(chan struct{}), seen: make(map[string]bool)}
	r.server = &http.Server{
		Handler: r, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 20 * time.Second,
		ErrorLog: slog.NewLogLogger(slog.DiscardHandler, slog.LevelError),
	}
	go func() {
		defer close(r.done)
		_ = r.server.Serve(l) // it ends by stop
	}()
	return r, nil
}

func (r *receiver) url() string { return "http://" + r.listener.Addr().String() }

func (r *receiver) stop(ctx context.Context) error {
	err := r.server.Shutdown(ctx)
	if err != nil {
		err = r.server.Close()
	}
	<-r.done
	return err
}

// hookPath begins the path of each channel's URL.
const hookPath = "/hooks/"

func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	h := hook{at: time.Now(), channel: strings.TrimPrefix(req.URL.Path, hookPath), id: req.Header.Get(deliver.HeaderID)}
	secret, ok := r.secrets[h.channel]
	if !ok || req.Method != http.MethodPost {
		http.NotFound(w, req)
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, req.Body, maxHook))
	if err != nil {
		http.Error(w, "the body can't be read", http.StatusBadRequest)
		return
	}
	// Nothing of the message is believed before its signature is.
	if h.err = deliver.Verify([]string{secret}, req.Header, body, time.Now(), 0); h.err == nil {
		if err := json.Unmarshal(body, &h.body); err != nil {
			h.err = errors.New("the body is not the JSON that was expected")
		}
	}
	if h.err != nil {
		http.Error(w, "refused: "+h.err.Error(), http.StatusUnauthorized)
	} else {
		r.mu.Lock()
		h.again = r.seen[h.id]
		r.seen[h.id] = true
		r.mu.Unlock()
		w.WriteHeader(http.StatusNoContent)
	}
	r.got(h)
}
