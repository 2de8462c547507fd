package redistest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/redis/go-redis/v9"
	"github.com/stretchr/testify/require"
)

// startTimeout is how long a server may take to answer.
const startTimeout = 20 * time.Second

// binary finds redis-server, or ends the test.
func binary(t testing.TB) string {
	t.Helper()
	path, err := exec.LookPath("redis-server")
	if err == nil {
		return path
	}
	const text = "redis-server (7 or newer) is not installed: this test needs a real one"
	if os.Getenv("LINTEL_REQUIRE_REDIS") == "1" {
		t.Fatal(text)
	}
	t.Skip(text)
	return ""
}

// Server is one process of redis-server.
type Server struct {
	Addr string // host:port

	binary, dir string
	args        []string
	password    string

	mu   sync.Mutex
	proc *process
}

// process is one life of a server.
type process struct {
	cmd  *exec.Cmd
	done chan struct{} // closed when it ended
}

// Start starts a server. Options are given as on redis-server's command line, for example
// "--appendonly", "yes", "--appendfsync", "always". Without options nothing is written to the disk.
func Start(t testing.TB, options ...string) *Server {
	t.Helper()
	s := newServer(t, options...)
	s.Restart(t)
	return s
}

func newServer(t testing.TB, options ...string) *Server {
	t.Helper()
	port := freePort(t)
	s := &Server{
		Addr:   net.JoinHostPort("127.0.0.1", strconv.Itoa(port)),
		binary: binary(t),
		dir:    t.TempDir(),
	}
	s.args = []string{"--port", strconv.Itoa(port), "--bind", "127.0.0.1", "--dir", s.dir, "--save", "", "--appendonly", "no",
		"--daemonize", "no", "--logfile", ""}
	for i, o := range options {
		if o == "--requirepass" && i+1 < len(options) {
			s.password = options[i+1]
		}
	}
	s.args = append(s.args, options...)
	t.Cleanup(s.Kill)
	return s
}

// HostPort returns the two halves of Addr.
func (s *Server) HostPort() (host, port string) {
	host, port, _ = net.SplitHostPort(s.Addr) // Addr was joined from them
	return host, port
}

// URL returns the server's address as a redis:// URL.
func (s *Server) URL() string {
	if s.password != "" {
		return "redis://:" + s.password + "@" + s.Addr
	}
	return "redis://" + s.Addr
}

// Client returns a client of the server, which is closed when the test ends.
func (s *Server) Client(t testing.TB) *redis.Client {
	c := redis.NewClient(&redis.Options{Addr: s.Addr, Password: s.password, MaxRetries: -1})
	t.Cleanup(func() { _ = c.Close() })
	return c
}

// Restart starts the server again on the same port and data after Kill or Stop, and waits until it
// answers.
func (s *Server) Restart(t testing.TB) {
	t.Helper()
	require.NoError(t, s.start(s.args...))
	s.await(t)
}

func (s *Server) start(args ...string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.proc != nil {
		return errors.New("the server runs already")
	}
	log, err := os.OpenFile(filepath.Join(s.dir, "server.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer log.Close()
	cmd := exec.Command(s.binary, args...)
	cmd.Stdout, cmd.Stderr, cmd.Dir = log, log, s.dir
	cmd.SysProcAttr = diesWithUs()
	p := &process{cmd: cmd, done: make(chan struct{})}
	started := make(chan error, 1)
	go func() {
		defer close(p.done)
		runtime.LockOSThread() // see diesWithUs
		err := cmd.Start()
		started <- err
		if err == nil {
			_ = cmd.Wait() // how it ended is in the log
		}
	}()
	if err := <-started; err != nil {
		return err
	}
	s.proc = p
	return nil
}

// await waits until the server answers and has loaded its data.
func (s *Server) await(t testing.TB) {
	t.Helper()
	s.mu.Lock()
	p := s.proc
	s.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.Background(), startTimeout)
	defer cancel()
	c := redis.NewClient(&redis.Options{Addr: s.Addr, Password: s.password, MaxRetries: -1, DialTimeout: time.Second, DialerRetries: 1})
	defer c.Close()
	for {
		// The client writes a log line for each connection that is refused: first see whether
		// anybody listens.
		conn, err := net.DialTimeout("tcp", s.Addr, time.Second)
		if err == nil {
			_ = conn.Close()
			if err = c.Ping(ctx).Err(); err == nil {
				return
			}
		}
		select {
		case <-p.done:
			t.Fatalf("redis-server ended: %s", s.log())
		case <-ctx.Done():
			t.Fatalf("redis-server at %s does not answer: %v: %s", s.Addr, err, s.log())
		case <-time.After(5 * time.Millisecond):
		}
	}
}

func (s *Server) log() []byte {
	b, err := os.ReadFile(filepath.Join(s.dir, "server.log"))
	if err != nil {
		return fmt.Append(nil, err)
	}
	return bytes.TrimSpace(b)
}

// Kill ends the server at once, as a crash would. It does nothing if the server does not run.
func (s *Server) Kill() { s.end(os.Kill) }

// Stop asks the server to end and waits for it. It does nothing if the server does not run.
func (s *Server) Stop() { s.end(syscall.SIGTERM) }

func (s *Server) end(sig os.Signal) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.proc == nil {
		return
	}
	_ = s.proc.cmd.Process.Signal(syscall.SIGCONT) // it may be paused
	_ = s.proc.cmd.Process.Signal(sig)
	<-s.proc.done
	s.proc = nil
}

// Pause stops the server from doing anything, as if the machine hung, until resume is called.
func (s *Server) Pause(t testing.TB) (resume func()) {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	p := s.proc.cmd.Process
	require.NoError(t, p.Signal(syscall.SIGSTOP))
	return func() { _ = p.Signal(syscall.SIGCONT) }
}

var (
	portMu    sync.Mutex
	portsUsed = map[int]bool{}
)

// freePort finds a port that nobody listens on, low enough that a cluster's second port (10,000
// more) exists and is free too.
func freePort(t testing.TB) int {
	t.Helper()
	portMu.Lock()
	defer portMu.Unlock()
	for range 200 {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		port := l.Addr().(*net.TCPAddr).Port
		if port > 55_000 {
			port -= 20_000
		}
		require.NoError(t, l.Close())
		if !portsUsed[port] && free(port) && free(port+10_000) {
			portsUsed[port] = true
			return port
		}
	}
	t.Fatal("found no free port")
	return 0
}

func free(port int) bool {
	l, err := net.Listen("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(port)))
	if err != nil {
		return false
	}
	return l.Close() == nil
}
