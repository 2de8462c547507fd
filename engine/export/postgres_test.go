package export

import (
	"context"
	"database/sql"
	"fmt"
	"net"
	"net/url"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// pgServer is a PostgreSQL server of the test's own: on a free loopback port, with its data in the
// test's directory, and gone with the test.
type pgServer struct {
	port int
	bin  string
	dir  string
	as   *syscall.Credential // nil: as we are

	mu   sync.Mutex
	cmd  *exec.Cmd
	done chan struct{}
	made int // databases
}

// A password with signs that URLs and errors write in different ways.
const (
	pgUser     = "lintel"
	pgPassword = "s3cr3t/%+ p@ss"
)

// pgBinaries finds Debian's newest server, or ends the test.
func pgBinaries(t testing.TB) string {
	found, err := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	require.NoError(t, err)
	if len(found) == 0 {
		if path, err := exec.LookPath("initdb"); err == nil {
			return filepath.Dir(path)
		}
		const text = "PostgreSQL's server (Debian's package postgresql) is not installed: this test needs a real one"
		if os.Getenv("LINTEL_REQUIRE_POSTGRES") == "1" {
			t.Fatal(text)
		}
		t.Skip(text)
	}
	version := func(path string) int {
		n, _ := strconv.Atoi(filepath.Base(filepath.Dir(filepath.Dir(path))))
		return n
	}
	return filepath.Dir(slices.MaxFunc(found, func(a, b string) int { return version(a) - version(b) }))
}

func startPostgres(t testing.TB) *pgServer {
	t.Helper()
	if runtime.GOOS != "linux" {
		t.Skip("starts PostgreSQL on Linux only")
	}
	s := &pgServer{bin: pgBinaries(t), dir: filepath.Join(t.TempDir(), "data")}
	require.NoError(t, os.Mkdir(s.dir, 0o700))
	if os.Getuid() == 0 { // as whom PostgreSQL refuses to run
		u, err := user.Lookup("postgres")
		if err != nil {
			u, err = user.Lookup("nobody")
		}
		require.NoError(t, err)
		uid, err := strconv.ParseUint(u.Uid, 10, 32)
		require.NoError(t, err)
		gid, err := strconv.ParseUint(u.Gid, 10, 32)
		require.NoError(t, err)
		s.as = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
		require.NoError(t, os.Chown(s.dir, int(uid), int(gid)))
		for dir := filepath.Dir(s.dir); dir != os.TempDir() && dir != "/"; dir = filepath.Dir(dir) {
			require.NoError(t, os.Chmod(dir, 0o755)) // that user must get through
		}
	}
	password := filepath.Join(filepath.Dir(s.dir), "password")
	require.NoError(t, os.WriteFile(password, []byte(pgPassword+"\n"), 0o644))
	initdb := exec.Command(filepath.Join(s.bin, "initdb"), "-D", s.dir, "-U", pgUser, "--pwfile", password, "-A",
		"scram-sha-256", "-E", "UTF8", "--no-sync",
		"--locale=C.UTF-8")
	initdb.Dir, initdb.SysProcAttr = "/", &syscall.SysProcAttr{Credential: s.as}
	out, err := initdb.CombinedOutput()
	require.NoError(t, err, "%s", out)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s.port = l.Addr().(*net.TCPAddr).Port
	require.NoError(t, l.Close())
	t.Cleanup(s.stop)
	s.start(t)
	return s
}

func (s *pgServer) start(t testing.TB) {
	t.Helper()
	log, err := os.OpenFile(filepath.Join(filepath.Dir(s.dir), "server.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	require.NoError(t, err)
	defer log.Close()
	cmd := exec.Command(filepath.Join(s.bin, "postgres"), "-D", s.dir, "-p", strconv.Itoa(s.port), "-c", "listen_addresses=127.0.0.1",
		"-c", "unix_socket_directories=", "-c", "fsync=off", "-c", "max_connections=20")
	// It dies with this process, however that ends. The thread that starts it must live as long.
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: s.as, Pdeathsig: syscall.SIGQUIT}
	cmd.Dir, cmd.Stdout, cmd.Stderr = "/", log, log
	started, done := make(chan error, 1), make(chan struct{})
	go func() {
		defer close(done)
		runtime.LockOSThread()
		err := cmd.Start()
		started <- err
		if err == nil {
			_ = cmd.Wait() // how it ended is in the log
		}
	}()
	require.NoError(t, <-started)
	s.mu.Lock()
	s.cmd, s.done = cmd, done
	s.mu.Unlock()
	db, err := sql.Open("pgx", s.dsn("postgres"))
	require.NoError(t, err)
	defer db.Close()
	require.Eventually(t, func() bool {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		select {
		case <-done:
			text, _ := os.ReadFile(log.Name())
			t.Fatalf("postgres ended: %s", text)
		default:
		}
		return db.PingContext(ctx) == nil
	}, 30*time.Second, 20*time.Millisecond)
}

// stop ends the server at once, connections and all.
func (s *pgServer) stop() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.cmd == nil {
		return
	}
	_ = s.cmd.Process.Signal(syscall.SIGQUIT) // an immediate shutdown: the next start recovers, as after a crash
	<-s.done
	s.cmd = nil
}

func (s *pgServer) dsn(database string) string {
	u := url.URL{Scheme: "postgres", User: url.UserPassword(pgUser, pgPassword), Host: fmt.Sprintf("127.0.0.1:%d",
		s.port), Path: database, RawQuery: "sslmode=disable"}
	return u.String()
}

// database makes an empty database and returns its DSN.
func (s *pgServer) database(t testing.TB) string {
	t.Helper()
	db, err := sql.Open("pgx", s.dsn("postgres"))
	require.NoError(t, err)
	defer db.Close()
	s.made++
	name := fmt.Sprintf("shop%d", s.made)
	_, err = db.Exec("CREATE DATABASE " + name)
	require.NoError(t, err)
	return s.dsn(name)
}
