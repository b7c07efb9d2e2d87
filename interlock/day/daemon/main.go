//go:build unix

package daemon

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log"
	"os"
	"os/signal"
	"runtime"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/day/watchdog"
	"downhaul/rules"
	"downhaul/rules/document"
)

// The exit codes: nothing found, a fault in a file, could not do it.
const (
	fine     = 0
	faulty   = 1
	couldNot = 2
)

// Run is a guard from its command line to its end; it returns the exit code. name
// is the program, virtual opens virtual boards, nil where the program has none.
func Run(name string, virtual guard.OpenVirtual, args []string, stdout, stderr io.Writer) int {
	flags := flag.NewFlagSet(name, flag.ContinueOnError)
	flags.SetOutput(stderr)
	padName := flags.String("pad", "", "the pad `FILE`; envelope.toml and card.toml are taken from beside it")
	envelope := flags.String("envelope", "", "another envelope `FILE`")
	card := flags.String("card", "", "another test card `FILE`")
	check := flags.Bool("check", false, "check the files and end")
	version := flags.Bool("version", false, "print version, revision, Go and forms of files, and end")
	flags.Usage = func() {
		fmt.Fprint(stderr, "usage: "+name+" --pad FILE [--envelope FILE] [--card FILE] [--check] [--version]\n\n"+
			"Guards an uncrewed, tethered craft until it gets SIGTERM, SIGINT or SIGQUIT. A\n"+
			"lost terminal (SIGHUP) ends it only while no power can reach the rotors.\n"+
			"One layer beside a hard-wired emergency stop and an empty pad; never for\n"+
			"use with anyone aboard.\n\n")
		flags.PrintDefaults()
	}
	switch err := flags.Parse(args); {
	case errors.Is(err, flag.ErrHelp):
		return fine
	case err != nil:
		return couldNot
	}
	if *version {
		fmt.Fprint(stdout, guard.Version(name))
		return fine
	}
	if *padName == "" || flags.NArg() > 0 {
		fmt.Fprintf(stderr, "%s: want --pad FILE and nothing else; see %s --help\n", name, name)
		return couldNot
	}
	// Room for the loop: four threads at least, beside a busy writer; memory is bounded.
	runtime.GOMAXPROCS(max(4, runtime.NumCPU()+2))
	debug.SetMemoryLimit(256 << 20)
	// On a busy computer the relay's line would stay for a tenth of a second as it was
	// left. Where it is not permitted to hurry, the loop, which asks for it too, says so.
	rest := watchdog.Hurry()
	read := guard.ReadPad
	if *check {
		read = guard.ReadFiles
	}
	files, err := read(*padName, *envelope, *card)
	if err != nil {
		return fail(stderr, err)
	}
	if *check {
		c, faults := files.Check()
		if len(faults) > 0 {
			return fail(stderr, faults)
		}
		if err := virtual.Fits(c.Pad); err != nil {
			return fail(stderr, err)
		}
		fmt.Fprintln(stdout, "downhauld: the files hold together")
		return fine
	}
	// Libraries that log do so on standard error, never in the way.
	log.SetOutput(stderr)
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM, os.Interrupt, syscall.SIGQUIT)
	defer stop()
	hungUp := deaf()
	say := make(chan string, 256)
	keep := &keeping{say: say}
	g, err := guard.Open(files, guard.Options{Software: guard.Software(), Virtual: virtual, Told: tell(say), Alive: keep, Thread: keep.thread})
	rest()
	if err != nil {
		return fail(stderr, err)
	}
	if err := keep.arm(g.Upkeep(), g.RealBoard(), stderr); err != nil {
		return fail(stderr, errors.Join(err, g.Abandon()))
	}
	said := make(chan struct{})
	voice := &voice{to: stdout, failed: g.Remark}
	go func() {
		defer close(said)
		for line := range say {
			voice.say(line)
		}
	}()
	go func() {
		for range hungUp {
			if !g.HangUp() {
				stop()
			}
		}
	}()
	for _, line := range g.Opening() {
		offer(say, line)
	}
	err = g.Run(ctx)
	keep.rest(g.VerifiedOpen(), stderr)
	for _, line := range g.Retained() {
		offer(say, "downhauld: "+line)
	}
	if head := g.HeadCode(); head != "" {
		offer(say, "downhauld: head of the trip log, to write on paper: "+head)
	}
	code := fine
	switch {
	case err != nil:
		code = fail(stderr, err)
	case !g.VerifiedOpen():
		code = faulty
		offer(say, watchdog.Priority(3)+"downhauld: ended; POWER NOT REMOVED, or not known to be: use the hard-wired stop. Session in "+g.Folder())
	default:
		offer(say, "downhauld: ended; relay open, session in "+g.Folder())
	}
	close(say)
	select {
	case <-said:
	case <-time.After(time.Second): // nobody reads; the records have it all
	}
	return code
}

// deaf has the signals that are no order to a guard end and stop nothing, since a dead or
// stopped guard lets go of a craft that hovers: a reader of the output that is gone (the
// write tells of it), a limit on the size of files (so does that write), and a terminal that
// stops who uses it. It returns the channel of lost terminals, silent under nohup.
func deaf() <-chan os.Signal {
	signal.Ignore(syscall.SIGPIPE, syscall.SIGXFSZ, syscall.SIGTSTP, syscall.SIGTTIN, syscall.SIGTTOU)
	hungUp := make(chan os.Signal, 1)
	if !signal.Ignored(syscall.SIGHUP) {
		signal.Notify(hungUp, syscall.SIGHUP)
	}
	return hungUp
}

// voice writes lines. What cannot be written ends nothing; the first failure goes on record.
type voice struct {
	to     io.Writer
	failed func(string)
	broken bool
}

func (v *voice) say(line string) {
	if _, err := fmt.Fprintln(v.to, line); err != nil && !v.broken {
		v.broken = true
		v.failed("standard output cannot be written (" + err.Error() + "); the guard goes on, and the records have it all")
	}
}

// tell hands what happens over to be printed.
func tell(say chan<- string) func(*rules.Envelope, interlock.Effect) {
	urgent, warning := watchdog.Priority(3), watchdog.Priority(4)
	level := map[interlock.EffectKind]string{interlock.TripEffect: urgent, interlock.ConsequenceEffect: urgent, interlock.CautionEffect: warning}
	return func(env *rules.Envelope, f interlock.Effect) {
		if text, ok := lineOf(env, f); ok && f.Kind == interlock.StateEffect && f.State == interlock.Fault {
			offer(say, urgent+"downhauld: "+text)
		} else if ok {
			offer(say, level[f.Kind]+"downhauld: "+text)
		}
	}
}

// lineOf returns an effect in one line; ok is false for what is not worth telling.
func lineOf(env *rules.Envelope, f interlock.Effect) (text string, ok bool) {
	at := fmt.Sprintf("%9.2f s  ", f.At.Seconds())
	switch f.Kind {
	case interlock.StateEffect:
		return at + strings.ToUpper(f.State.String()) + ": " + f.Reason.String(), f.From != f.State
	case interlock.TripEffect:
		first := map[bool]string{true: ", first cause"}[f.FirstOut]
		return at + fmt.Sprintf("TRIP %d (%s stop%s): %s", f.Trip, f.Stop, first, interlock.FirstCause(env, f)), true
	case interlock.ConsequenceEffect:
		return at + fmt.Sprintf("part of trip %d (%s stop): %s", f.Trip, f.Stop, interlock.FirstCause(env, f)), true
	case interlock.CautionEffect:
		return at + "caution: " + interlock.FirstCause(env, f), f.On
	}
	return "", false
}

func fail(stderr io.Writer, err error) int {
	fmt.Fprintf(stderr, "downhauld: %v\n", err)
	if _, ok := errors.AsType[document.Faults](err); ok {
		return faulty
	}
	return couldNot
}
