package main

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"io"
	"net/netip"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/model/rehearsal"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
	"downhaul/interlock/records/triplog/inspect"
	"downhaul/rules"
	"downhaul/rules/words"
)

//go:embed demo/*.toml
var demoFiles embed.FS

type demoCmd struct {
	Fast bool   `help:"Make the same decisions without waiting."`
	Out  string `placeholder:"DIR" help:"Keep files and session here (a new folder; otherwise a temporary one is made)."`
}

func (demoCmd) Help() string {
	return "Plays a made-up day live on this computer: a modelled craft sends real telemetry over loopback to a real guard on a " +
		"virtual board. One run ends in a controlled stop, one is cut. Where the computer is busy, the day's clock waits for it. Needs no root, no network and no hardware."
}

// errStopped means that the reader pressed control-C.
var errStopped = errors.New("stopped before the end; the guard opened the relay and ended its session")

// teller prints the story in order of time, from several goroutines.
type teller struct {
	mu  sync.Mutex
	out io.Writer
}

func (t *teller) tell(at time.Duration, who, says string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	wrap(t.out, fmt.Sprintf("%6.2f s  %-8s", at.Seconds(), who), strings.Repeat(" ", 18), says)
}

func (t *teller) list(says string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	wrap(t.out, strings.Repeat(" ", 18)+"- ", strings.Repeat(" ", 20), says)
}

func (c *demoCmd) Run(ctx context.Context, s *streams) error {
	dir, err := c.folder()
	if err != nil {
		return err
	}
	link, err := rehearsal.FreePort()
	if err != nil {
		return err
	}
	files, err := writeDemoFiles(dir, link)
	if err != nil {
		return err
	}
	t := &teller{out: s.out}
	wrap(s.out, "", "", "A made-up day at North Field. Eight 2, uncrewed, eight motors, 60 kg, on a 9 m tether. Today: the step with 12 kg of water ballast.")
	wrap(s.out, "", "", "Files and session: "+dir)
	fmt.Fprintln(s.out)
	d := &demo{dir: dir, tell: t, files: files, link: link}
	if err := d.run(ctx, c.Fast); err != nil {
		return err
	}
	return d.after(s)
}

func (c *demoCmd) folder() (string, error) {
	if c.Out == "" {
		dir, err := os.MkdirTemp("", "downhaul-")
		if err != nil {
			return "", fmt.Errorf("demo: %w", err)
		}
		return dir, nil
	}
	dir, err := filepath.Abs(c.Out)
	if err != nil {
		return "", fmt.Errorf("demo: %w", err)
	}
	if err := os.Mkdir(dir, 0o755); err != nil {
		return "", hint(fmt.Errorf("demo: %w", err), "--out names a folder that is not there yet; nothing is overwritten")
	}
	return dir, nil
}

func writeDemoFiles(dir string, link netip.AddrPort) (guard.Files, error) {
	for _, name := range []string{session.Pad, session.Envelope, session.Card} {
		text, err := demoFiles.ReadFile("demo/" + name)
		if err != nil {
			return guard.Files{}, err
		}
		fill := strings.NewReplacer("@FOLDER@", dir, "@LINK@", link.String(), "@TODAY@", time.Now().Format(time.DateOnly))
		if err := os.WriteFile(filepath.Join(dir, name), []byte(fill.Replace(string(text))), 0o644); err != nil {
			return guard.Files{}, fmt.Errorf("demo: %w", err)
		}
	}
	return guard.ReadFiles(filepath.Join(dir, session.Pad), "", "")
}

// demo is one showing.
type demo struct {
	dir     string
	tell    *teller
	files   guard.Files
	link    netip.AddrPort
	moments moments
	session string
	env     *rules.Envelope
	trace   []virtual.OutputEdge

	mu    sync.Mutex
	trips []interlock.Effect
	// waited is how a busy computer held it up; empty if it was none.
	waited string
	// stray is the first thing that the guard did and the story does not know.
	stray *interlock.Effect
}

// watch prints what the guard decides, as it decides it.
func (d *demo) watch(env *rules.Envelope, f interlock.Effect) {
	d.follow(env, f)
	switch f.Kind {
	case interlock.StateEffect:
		if f.From != f.State {
			d.tell.tell(f.At, "guard", strings.ToUpper(f.State.String())+": "+f.Reason.String()+".")
		}
	case interlock.TripEffect:
		d.mu.Lock()
		d.trips = append(d.trips, f)
		d.mu.Unlock()
		d.tell.tell(f.At, "guard", stopWords(f.Stop)+": "+interlock.FirstCause(env, f)+".")
	case interlock.CautionEffect:
		if f.On {
			d.tell.tell(f.At, "guard", "Caution: "+interlock.FirstCause(env, f)+".")
		}
	case interlock.SoundEffect:
		if f.Sound != interlock.Silent {
			d.tell.tell(f.At, "buzzer", "Sounds \""+f.Sound.String()+"\".")
		}
	}
}

func stopWords(s rules.Stop) string {
	if s == rules.Immediate {
		return "Power off now"
	}
	return "Controlled stop"
}

func (d *demo) run(ctx context.Context, fast bool) error {
	var clock time.Duration
	begun := time.Now()
	desk := &rehearsal.DeskClock{Real: func() time.Duration { return time.Since(begun) }}
	opts := guard.Options{Virtual: benchboard.Open, Software: guard.Software(), Room: 64 << 20, Watch: d.watch, Now: desk.Now, Alive: desk}
	if fast {
		opts.Stepped, opts.Now, opts.Alive = true, func() time.Duration { return clock }, nil
	}
	checked, faults := d.files.Check()
	if len(faults) > 0 {
		return faults
	}
	d.env = checked.Envelope
	g, err := guard.Open(d.files, opts)
	if err != nil {
		return err
	}
	s, err := d.set(g)
	if err != nil {
		return errors.Join(err, g.Finish(0))
	}
	if fast {
		s.send = straight(g, d.link)
		err = runStepped(s, g, &clock)
		d.trace, _ = s.board.Trace()
		return errors.Join(err, g.Finish(clock))
	}
	conn, err := craftmodel.Dial(d.link.String())
	if err != nil {
		return err
	}
	defer conn.Close()
	s.send = overUDP(conn)
	// As in the daemon: the loop must not queue behind craft and crew.
	runtime.GOMAXPROCS(max(4, runtime.NumCPU()+2))
	guarding, stop := context.WithCancel(context.Background())
	defer stop()
	failed := make(chan error, 1)
	go func() { failed <- g.Run(guarding) }()
	err = runLive(s, g, desk, ctx.Done(), failed)
	if waited, longest := desk.Waits(); waited > time.Second {
		d.waited = fmt.Sprintf("This computer was busy: the demo's clock waited for it for %.1f s in all, %.1f s at once.", waited.Seconds(), longest.Seconds())
	}
	d.trace, _ = s.board.Trace()
	stop()
	return errors.Join(err, <-failed)
}

// set builds the stage around a guard: craft, board and crew, with the gate
// still open. How the craft is heard is not set yet.
func (d *demo) set(g *guard.Guard) (*stage, error) {
	d.session = g.Folder()
	cfg := craftmodel.EightTwo()
	cfg.Ballast, cfg.Seed, cfg.Unpowered = 12, 7, true
	craft, err := craftmodel.New(cfg)
	if err != nil {
		return nil, err
	}
	crew, err := crewOf(g)
	if err != nil {
		return nil, err
	}
	s := &stage{craft: craft, board: g.Board().(*virtual.Board), guard: g, crew: crew}
	s.crew.astray = d.astray
	s.crew.scenes = story(d.tell, craft, s.board, g, &d.moments)
	return s, s.board.OpenContact("gate")
}

// after prints what there is to know when the day is over.
func (d *demo) after(s *streams) error {
	fmt.Fprintln(s.out)
	fmt.Fprintln(s.out, "What tripped:")
	for _, f := range d.trips {
		wrap(s.out, fmt.Sprintf("  trip %d  ", f.Trip), "          ", fmt.Sprintf("at %.2f s, %s: %s. %s", f.At.Seconds(), strings.ToLower(stopWords(f.Stop)), interlock.FirstCause(d.env, f), d.timing(f)))
	}
	if d.waited != "" {
		fmt.Fprintln(s.out)
		wrap(s.out, "", "", d.waited)
	}
	ses, err := session.Open(d.session)
	if err != nil {
		return err
	}
	parts, err := ses.TripParts()
	if err != nil {
		return err
	}
	report, err := inspect.Files(parts...)
	if err != nil {
		return err
	}
	replay, err := bench.ReplaySession(ses)
	if err != nil {
		return err
	}
	fmt.Fprintln(s.out)
	wrap(s.out, "Trip log:  ", "           ", fmt.Sprintf("%s, %s.", report.Verdict, words.Count(report.Lines, "line")))
	wrap(s.out, "Replay:    ", "           ", replay.Equal.Says()+".")
	wrap(s.out, "Session:   ", "           ", d.session)
	fmt.Fprintln(s.out)
	fmt.Fprintln(s.out, "Try next:")
	for _, line := range []string{
		"downhaul check " + filepath.Join(d.dir, "*.toml"),
		"downhaul replay " + d.session,
		"downhaul verify " + d.session,
		"downhaul report --out " + filepath.Join(d.dir, "report") + " " + d.session,
		"downhaul new my-pad      (your own four files)",
	} {
		fmt.Fprintln(s.out, "  "+line)
	}
	fmt.Fprintln(s.out)
	wrap(s.out, "", "", "A rehearsal proves nothing about your relay, your wiring or your craft. A real pad has a hard-wired emergency stop, an empty keep-out, and nobody aboard.")
	if !replay.Equal.Holds || report.Verdict != triplog.Whole {
		return errFound
	}
	return nil
}

// timing is how long things took around a trip: from the moment the demo made
// it happen to the decision, and from there to the contactor.
func (d *demo) timing(f interlock.Effect) string {
	gust, runaway := d.moments.began()
	from, what := gust, "the gust began"
	if f.Stop == rules.Immediate {
		from, what = runaway, "the autopilot went wrong"
	}
	if from == 0 || from > f.At {
		return ""
	}
	text := fmt.Sprintf("Decided %.2f s after %s.", (f.At - from).Seconds(), what)
	for _, e := range d.trace {
		if f.Stop == rules.Immediate && e.Line == "contactor" && !e.On && e.At >= f.At {
			return text + fmt.Sprintf(" Power was off the rotors %.0f ms later.", (e.At-f.At).Seconds()*1000)
		}
	}
	return text
}
