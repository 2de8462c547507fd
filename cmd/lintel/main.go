// Command lintel is the whole of Lintel in one binary: the server, a demonstration, and the tools
// around them.
//
// It holds flags, signals and exit codes; everything else is in packages. Exit codes: 0 done, 1
// what was asked for did not succeed (a bad rule, a refused identity), 2 the call itself was wrong,
// 3 the system failed, 4 a dry run found something that would change.
package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"github.com/alecthomas/kong"
)

// streams are where a command reads and writes, so that tests can give it theirs.
type streams struct {
	ctx context.Context
	in  io.Reader
	out io.Writer
	err io.Writer
}

// errRefused says that the command ran but what it was asked about is not good: exit code 1. What
// is wrong was printed already.
var errRefused = errors.New("refused")

type cli struct {
	LogLevel slog.Level      `help:"How much to log: debug, info, warn or error." default:"info" env:"LINTEL_LOG_LEVEL"`
	Config   kong.ConfigFlag `help:"JSON file with values for any flag, by its name with _ for -, such as facts_keep." type:"existingfile" env:"LINTEL_CONFIG" placeholder:"FILE"`

	Demo   demoCmd     `cmd:"" help:"Play a day at Umberhithe Books, an invented bookshop, and show what Lintel makes of it."`
	Serve  serveCmd    `cmd:"" help:"Run the server."`
	Check  checkCmd    `cmd:"" help:"Check rules files and run the cases beside them: FILE:LINE:COL: message for what is wrong."`
	Trial  trialCmd    `cmd:"" help:"Try a rule on what was recorded, on a server or a file of facts: how often it would have notified whom, and what it would have missed."`
	Epc    epcCmd      `cmd:"" name:"epc" help:"Decode tag identities, given as arguments or as lines on standard input; one JSON object a line."`
	Key    keyCmd      `cmd:"" help:"Make, list and revoke API keys directly in the store."`
	Export exportCmd   `cmd:"" help:"Write the server's configuration into a directory, as files to keep under version control. They have no secrets."`
	Apply  applyCmd    `cmd:"" help:"Make the server's configuration that of a directory: show a plan, ask, and store all of it or nothing."`
	Bench  benchCmd    `cmd:"" help:"Measure the whole path against a floor and a plain script on a Redis server; the last line is JSON."`
	Truth  truthCmd    `cmd:"" help:"Compare what Lintel concludes with what is true, on seeded simulated shops."`
	Walk   walkTestCmd `cmd:"" name:"walk-test" help:"Commission a door: asks for walks out, in and along it with known tags, and says what it hears and how to set it."`
	Pass   passagesCmd `cmd:"" name:"passages" help:"Get what a door heard of each passage, one JSON object a line, to label it and to judge it again with lintel truth --passages."`
	Move   moveCmd     `cmd:"" help:"Copy everything from one store to another, for example from embedded to Redis. Stop the server first."`
	Backup backupCmd   `cmd:"" help:"Back up the embedded store into a file, while its server runs or not. A Redis is backed up by its own means."`
	Rest   restoreCmd  `cmd:"" name:"restore" help:"Make an embedded store of a backup."`
	Cert   certCmd     `cmd:"" name:"certificate" help:"Make a shop's own certificate authority, and a certificate for https by it, or renew that."`
	Health healthCmd   `cmd:"" help:"Ask a server whether it is ready: exit code 0 or 1. For the health check of a container."`
	Ver    verCmd      `cmd:"" name:"version" help:"Print the version."`
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	// A reader that goes away (lintel demo | head) is a write error like any other, so that a
	// command can clean up.
	signal.Ignore(syscall.SIGPIPE)
	os.Exit(run(streams{ctx, os.Stdin, os.Stdout, os.Stderr}, os.Args[1:]))
}

// run carries out one call and returns its exit code.
func run(s streams, args []string) (code int) {
	var c cli
	exited := false
	parser, err := kong.New(&c,
		kong.Name("lintel"),
		kong.Description("Lintel keeps the true state of every tagged item in a shop, evaluates the rules that "+
			"staff write, and notifies the right people."),
		kong.UsageOnError(),
		kong.Writers(s.out, s.err),
		kong.Configuration(readConfig),
		durations,
		kong.Exit(func(k int) { code, exited = k, true }),
	)
	if err != nil {
		fmt.Fprintln(s.err, "lintel:", err)
		return 3
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	k, err := parser.Parse(args)
	if exited {
		return code
	}
	if err != nil {
		fmt.Fprintf(s.err, "lintel: %v (lintel --help lists commands and flags)\n", err)
		return 2
	}
	slog.SetDefault(slog.New(slog.NewJSONHandler(s.err, &slog.HandlerOptions{Level: c.LogLevel, ReplaceAttr: logText})))
	switch err := k.Run(&s); {
	case err == nil:
		return 0
	case errors.Is(err, errRefused):
		return 1
	case errors.Is(err, errWouldChange):
		return 4
	default:
		fmt.Fprintln(s.err, "lintel:", err)
		return 3
	}
}

// logText has the log write a length of time with its unit, as in "1.5s", and not as nanoseconds.
func logText(_ []string, a slog.Attr) slog.Attr {
	if a.Value.Kind() == slog.KindDuration {
		a.Value = slog.StringValue(a.Value.Duration().String())
	}
	return a
}

type verCmd struct{}

func (*verCmd) Run(s *streams) error {
	_, err := fmt.Fprintln(s.out, "lintel", version())
	return err
}

// released is set where a release is built: -ldflags "-X main.released=1.2.3".
var released string

// version says which Lintel this is: the release, else what Go knows of the module and its revision.
func version() string {
	v, revision := "(devel)", ""
	if info, ok := debug.ReadBuildInfo(); ok {
		v = cmp.Or(info.Main.Version, v)
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" {
				revision = " " + s.Value
			}
		}
	}
	return cmp.Or(released, v) + revision
}
