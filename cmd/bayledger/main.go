// Command bayledger is the watchman for clay tennis courts that are watered from below: it
// reads the field sensors, keeps for every bay an account of water in, out and held, and says
// which bay does not close and why.
//
// main.go holds the flags, the signals and the exit codes; each command is a file of its own.
// Data goes to stdout, everything else to stderr. Exit codes: 0 done, 1 failed or something
// did not answer, 2 the user's input is wrong.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"reflect"
	"slices"
	"strings"
	"syscall"
	"time"
	_ "time/tzdata" // a Pi image may lack the zone files, and accounts close at local midnight

	"github.com/alecthomas/kong"

	"bayledger/agent/site"
	"bayledger/agent/sitefile"
)

// Exit codes of the program.
const (
	exitDone   = 0
	exitFailed = 1
	exitInput  = 2
)

// commands is the command line; kong fills it.
type commands struct {
	Demo       demoCmd       `cmd:"" help:"The whole system in one process, with a virtual pump house: a night with faults, and its account."`
	Run        runCmd        `cmd:"" help:"The daemon."`
	Check      checkCmd      `cmd:"" help:"Every mistake of a site file at once."`
	Probe      probeCmd      `cmd:"" help:"Registers of an unknown device, with each plausible decoding."`
	Commission commissionCmd `cmd:"" help:"Guided procedures: first start, wiring proof, calibration, winter and spring."`
	Ack        ackCmd        `cmd:"" help:"Answer an alarm, or list what is open."`
	Replay     replayCmd     `cmd:"" help:"Recorded data through the same watch."`
	Field      fieldCmd      `cmd:"" help:"The virtual pump house alone."`
	Export     exportCmd     `cmd:"" help:"The journal's samples as recorded data (CSV) or line protocol."`
	Journal    journalCmd    `cmd:"" help:"Self-check; lines a server refused: list, send again."`
	Backup     backupCmd     `cmd:"" help:"Copy the journal while the daemon goes on."`
	Restore    restoreCmd    `cmd:"" help:"Put a backup in place of the journal."`
	Report     reportCmd     `cmd:"" help:"Day, week or season account as HTML or CSV."`
	Hub        hubCmd        `cmd:"" help:"One place that hears many sites over MQTT and serves their metrics."`
	User       userCmd       `cmd:"" help:"Who may log in to the page."`
	Version    versionCmd    `cmd:"" help:"Version, commit and schema versions."`
}

// environment is what a command may touch of the world.
type environment struct {
	Ctx            context.Context
	Stdin          io.Reader
	Stdout, Stderr io.Writer
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// inputError marks an error whose cause is what the user gave.
type inputError struct{ error }

func (e inputError) Unwrap() error { return e.error }

// badInput makes err exit with code 2.
func badInput(err error) error {
	if err == nil {
		return nil
	}
	return inputError{err}
}

// run is the whole program, so that tests can call it. It returns the exit code.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	var cli commands
	exited := -1
	parser, err := kong.New(&cli,
		kong.Name("bayledger"),
		kong.Description("The watchman for clay courts that are watered from below."),
		kong.Writers(stdout, stderr),
		kong.Exit(func(code int) { exited = code }),
		kong.UsageOnError(),
		kong.TypeMapper(reflect.TypeFor[time.Time](), kong.MapperFunc(readTime)),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
	)
	if err != nil {
		fmt.Fprintln(stderr, "bayledger: command line:", err)
		return exitFailed
	}
	parsed, err := parser.Parse(args)
	if exited >= 0 { // --help has printed and asked to leave
		return exited
	}
	if err != nil {
		fmt.Fprintf(stderr, "bayledger: %v; see %s --help\n", err, commandOf(err))
		return exitInput
	}
	err = parsed.Run(&environment{Ctx: ctx, Stdin: stdin, Stdout: stdout, Stderr: stderr})
	return exitCode(err, stderr)
}

// readTime reads a moment of the command line.
func readTime(ctx *kong.DecodeContext, target reflect.Value) error {
	var text string
	if err := ctx.Scan.PopValueInto("time", &text); err != nil {
		return err
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return fmt.Errorf("%q is not a time; write for example 2026-07-01T00:00:00Z", text)
	}
	target.Set(reflect.ValueOf(t))
	return nil
}

// commandOf is the command whose line could not be read, as far as it was understood.
func commandOf(err error) string {
	if p, ok := errors.AsType[*kong.ParseError](err); ok && p.Context != nil && p.Context.Selected() != nil {
		words := []string{"bayledger"}
		for n := p.Context.Selected(); n.Parent != nil; n = n.Parent {
			words = slices.Insert(words, 1, n.Name)
		}
		return strings.Join(words, " ")
	}
	return "bayledger"
}

// exitCode prints the error, once, and maps it to the program's exit code.
func exitCode(err error, stderr io.Writer) int {
	if err == nil {
		return exitDone
	}
	if mistakes, ok := errors.AsType[sitefile.Mistakes](err); ok {
		fmt.Fprintln(stderr, mistakes)
		return exitInput
	}
	if problems, ok := errors.AsType[site.Problems](err); ok {
		fmt.Fprintln(stderr, problems)
		return exitInput
	}
	fmt.Fprintln(stderr, "bayledger:", err)
	if _, ok := errors.AsType[inputError](err); ok {
		return exitInput
	}
	return exitFailed
}
