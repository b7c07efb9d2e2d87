package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"
	kongcompletion "github.com/jotaen/kong-completion"

	"downhaul/interlock/day/guard"
)

// The exit codes.
const (
	nothingFound = 0
	somethingWas = 1
	couldNot     = 2
)

// columns is the width of everything printed: that of the terminal, where there is one.
var columns = usualWidth

const usualWidth = 80

// commands is what the tool can do, in the order of a test day.
type commands struct {
	Demo       demoCmd       `cmd:"" group:"before" help:"Play a whole made-up day with a virtual board."`
	Board      boardCmd      `cmd:"" group:"day" help:"See and work the virtual board of a rehearsal."`
	New        newCmd        `cmd:"" group:"before" help:"Ask about craft and pad, and write files to begin with."`
	Thrust     thrustCmd     `cmd:"" group:"before" help:"Run a thrust stand, read its table, and do the sum of lift with it."`
	Check      checkCmd      `cmd:"" group:"before" help:"Say what is wrong with the files, or what they mean."`
	Brief      briefCmd      `cmd:"" group:"before" help:"Print the day's sheet: step, limits, keep-out, wind, who stands where."`
	Prove      proveCmd      `cmd:"" group:"before" help:"Prove that every limit trips where and when it must, and nowhere else."`
	Rehearse   rehearseCmd   `cmd:"" group:"before" help:"Fly the modelled craft of your own files against the guard, with mishaps."`
	Listen     listenCmd     `cmd:"" group:"before" help:"Show who is heard on a link, and what is missing."`
	Play       playCmd       `cmd:"" group:"before" help:"Send a recording to a guard on this computer, at its own pace."`
	Replay     replayCmd     `cmd:"" group:"before" help:"Run recordings through an envelope, or a session through its own."`
	Compare    compareCmd    `cmd:"" group:"before" help:"Show what another envelope would have done to the same recordings."`
	Sweep      sweepCmd      `cmd:"" group:"before" help:"Move one limit over a range and show what it would have done."`
	Commission commissionCmd `cmd:"" group:"day" help:"Test the pad's outputs and inputs with the crew, propellers off."`
	Tilt       tiltCmd       `cmd:"" group:"day" help:"Check that the low side's motors answer, propellers off."`
	Status     statusCmd     `cmd:"" group:"day" help:"Show what the running guard sees."`
	Declare    declareCmd    `cmd:"" group:"day" help:"Tell the guard step, packs, wind or an inspection, before a start."`
	Defect     defectCmd     `cmd:"" group:"day" help:"List, note, close or watch defects; note what was mended after a fault."`
	Panel      panelCmd      `cmd:"" group:"day" help:"Serve the glance page to browsers, read-only."`
	Mark       markCmd       `cmd:"" group:"day" help:"Stamp a remark into the records of the running guard."`
	Report     reportCmd     `cmd:"" group:"after" help:"Say what happened in sessions, and what it means for the next step."`
	Verify     verifyCmd     `cmd:"" group:"after" help:"Say whether trip logs are as they were written."`

	Version kong.VersionFlag `help:"Print version, revision, Go and forms of files, and end."`
}

// errFound ends a command that did its work and found something: exit code 1.
// What it found was printed by the command itself.
var errFound = errors.New("found")

// hinted is an error with what the reader can do about it.
type hinted struct {
	err  error
	hint string
}

func (h *hinted) Error() string { return h.err.Error() }
func (h *hinted) Unwrap() error { return h.err }

// hint adds advice to an error; nil stays nil.
func hint(err error, format string, args ...any) error {
	if err == nil {
		return nil
	}
	return &hinted{err, fmt.Sprintf(format, args...)}
}

// streams are the three standard streams, passed to every command.
type streams struct {
	in       io.Reader
	out, err io.Writer
}

func main() {
	// A reader that goes away ends the output, and neither the program nor the
	// files that it still has to write.
	signal.Ignore(syscall.SIGPIPE)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	out := &output{File: os.Stdout}
	columns = widthOf(out)
	s := &streams{os.Stdin, out, os.Stderr}
	code := run(ctx, os.Args[1:], s)
	stop()
	if err := out.failure(); err != nil && code != couldNot {
		code = s.fail(hint(fmt.Errorf("not all could be printed: %w", err), "files that it was to write are written"))
	}
	os.Exit(code)
}

// exit carries the code with which the parser wants to end (after --help).
type exit int

// run does one command line and gives the exit code.
func run(ctx context.Context, args []string, s *streams) (code int) {
	defer func() {
		if r := recover(); r != nil {
			e, ok := r.(exit)
			if !ok {
				panic(r)
			}
			code = int(e)
		}
	}()
	parser, err := kong.New(&commands{},
		kong.Name("downhaul"),
		kong.Description("Brings down an uncrewed, tethered craft that has left its limits.\n\n"+
			"One layer beside a hard-wired emergency stop and an empty pad. No certified safety component; never for use with anyone aboard."),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: columns, NoExpandSubcommands: true}),
		kong.ExplicitGroups([]kong.Group{
			{Key: "before", Title: "Before the day:"},
			{Key: "day", Title: "On the day:"},
			{Key: "after", Title: "Afterwards:"},
		}),
		kong.Writers(s.out, s.err),
		kong.Vars{"version": strings.TrimSuffix(guard.Version("downhaul"), "\n")},
		kong.Exit(func(code int) { panic(exit(code)) }),
		kong.BindTo(ctx, (*context.Context)(nil)),
		kong.Bind(s),
	)
	if err != nil {
		return s.fail(fmt.Errorf("build the command line: %w", err))
	}
	parser.Model.HelpFlag.Help = "Show this help."
	kongcompletion.Register(parser) // answers a shell that completes a line (COMP_LINE), and ends
	chosen, err := parser.Parse(args)
	if err != nil {
		return s.fail(hint(err, "%s", usageHint(err)))
	}
	return s.fail(chosen.Run())
}

// fail prints an error and its hint, and gives the exit code for it.
func (s *streams) fail(err error) int {
	if err == nil {
		return nothingFound
	}
	if errors.Is(err, errFound) {
		return somethingWas
	}
	for i, line := range strings.Split(err.Error(), "\n") {
		wrap(s.err, []string{"downhaul: ", "  "}[min(i, 1)], "    ", line)
	}
	if h := new(hinted); errors.As(err, &h) {
		wrap(s.err, "  ", "  ", h.hint)
	}
	return couldNot
}

// usageHint returns where help is to be had, for the command that was meant.
func usageHint(err error) string {
	if wrong := new(kong.ParseError); errors.As(err, &wrong) {
		if command := wrong.Context.Selected(); command != nil {
			return fmt.Sprintf("run \"%s --help\" to see how it is called", command.FullPath())
		}
	}
	return `run "downhaul --help" to see the commands`
}
