package guard

import (
	"errors"
	"fmt"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"downhaul/hw"
	"downhaul/hw/localsocket"
	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
	"downhaul/rules"
)

// Options are what the files do not say. Only Software is required.
type Options struct {
	Software string
	// Room is the free disk room asked for; 0 takes the session's default.
	Room uint64
	// Stepped runs the guard without goroutines of its own, for rehearsals that do not
	// wait: the caller drives Turn by its own clock, and records are written within it.
	Stepped bool
	// Now is the clock of a stepped guard, or of a rehearsal without real pins that waits for
	// a busy computer. It must not run back. Nil takes the time since the guard was opened.
	Now func() time.Duration
	// Disk puts a disk that may fail in the trip log's place; nil takes the real one.
	Disk func(triplog.Disk) triplog.Disk
	// Virtual opens the virtual board of a pad that has one. Nil refuses such a pad.
	Virtual OpenVirtual
	// Watch sees every decision on the loop's own goroutine; it must be quick.
	// Told sees it soon, on another, and must not wait. Nil is nobody.
	Watch, Told func(*rules.Envelope, interlock.Effect)
	// Alive hears that the loop turns; nil is nobody.
	Alive Alive
	// Thread is called once on the loop's own thread, before its first turn.
	Thread func()
}

// Alive is told by the loop itself that it runs. Neither call may wait for anything.
type Alive interface {
	// Turned comes at the end of every turn.
	Turned(now time.Duration)
	// Says comes when the state has changed, or why it is that.
	Says(state string)
}

// Guard is a running guard with everything it holds open.
type Guard struct {
	opts     Options
	pad      *pad.Pad
	env      *rules.Envelope
	files    answers.Files // that it runs on, for who asks
	session  *session.Session
	board    hw.Board
	engine   *interlock.Engine
	loop     *Loop
	keeper   *keeper
	links    []*link.Link
	socket   *localsocket.Server
	shot     snapshot
	before   []session.Ending
	reread   []string // what the board cannot do, why all earlier sessions were read, and what does not count
	now      func() time.Duration
	proofs   standing
	doorway  *doorway                 // nil where the craft need not sign
	unkept   atomic.Pointer[string]   // why what passed through it cannot be kept, nil for nothing
	due      atomic.Pointer[[]string] // proof tests due, in words
	declared declared
	stops    stops
	handed   handed
	lost     bool // not all of it could be read
	ledger   ledgered
	toldMu   sync.Mutex
	told     []answers.ActStatus // over the local socket; guarded by toldMu
	lacking  why                 // the loop's own: what was last logged as missing for a start
	said     said                // the loop's own
	aloft    atomic.Int64        // when the craft was last seen in the air, engine time
	tells    *ring[interlock.Effect]
	isOpen   bool // after the end: the relay was verified open
	ended    bool
	ending   atomic.Bool // the loop looks at most once more at what is left for it
}

// clockWas begins what a session says of its clock.
const clockWas = "read once at the start from the system clock, which was then "

// Open checks the pad file, opens the board with the relay low, reads and checks
// envelope and card, finds out how the last session ended, begins a new one, and opens
// links and local socket. On an error nothing is left held, and no session is left behind.
func Open(files Files, opts Options) (opened *Guard, err error) {
	p, faults := pad.Read(files.Pad.Name, files.Pad.Text)
	if len(faults) > 0 {
		if err := files.readRest(); err != nil {
			return nil, errors.Join(faults, err)
		}
		_, faults = files.check(p, faults)
		return nil, faults
	}
	if opts.Stepped && opts.Now == nil {
		return nil, errors.New("guard: a stepped guard needs a clock")
	}
	if opts.Now != nil && p.Board.Kind == pad.GPIO {
		return nil, errors.New("guard: only a rehearsal without real pins takes a clock of its own")
	}
	g := &Guard{opts: opts, pad: p, shot: newSnapshot(), tells: newRing[interlock.Effect](mostTells)}
	defer func() {
		if err != nil {
			err = errors.Join(err, g.release())
			if g.session != nil {
				// Nothing was decided yet; it would count as one that broke off.
				err = errors.Join(err, os.RemoveAll(g.session.Dir))
			}
		}
	}()
	start, up := time.Now(), plain.Uptime() // which counts a sleep: behind one the loop was held up
	g.now = func() time.Duration { return plain.Uptime() - up }
	if opts.Now != nil {
		g.now = opts.Now
	}
	// The relay first: a disk that does not answer, under the other files or the log folder,
	// must not leave the relay's line as the kernel or a dead guard left it.
	if g.board, err = OpenBoard(p, g.now, opts.Virtual); err != nil {
		return nil, err
	}
	if b, ok := g.board.(interface{ Sampled() string }); ok && b.Sampled() != "" {
		g.reread = append(g.reread, fmt.Sprintf("read every %v, for the chip reports no edges: %s", pinTurn, b.Sampled()))
	}
	if err = files.readRest(); err != nil {
		return nil, err
	}
	c, faults := files.check(p, nil)
	if len(faults) > 0 {
		return nil, faults
	}
	g.env, g.files = c.Envelope, answers.Files{Pad: string(files.Pad.Text), Envelope: string(files.Envelope.Text), Card: string(files.Card.Text)}
	kept := []session.File{
		{Name: session.Pad, From: files.Pad.Name, Text: files.Pad.Text},
		{Name: session.Envelope, From: files.Envelope.Name, Text: files.Envelope.Text},
	}
	if files.Card.Name != "" {
		kept = append(kept, session.File{Name: session.Card, From: files.Card.Name, Text: files.Card.Text})
	}
	clock, _ := plain.Clock()
	meta := session.Meta{Software: opts.Software, Wall: start, Room: opts.Room, Keep: session.Keep{Age: g.pad.KeepAge, Bytes: g.pad.KeepBytes}, Clock: clockWas + clock}
	meta.Mark, meta.Disk = g.pad.Mark(), opts.Disk
	if g.pad.Duty == interlock.Watch {
		meta.Duty = session.DutyWatch
	}
	if g.session, err = session.Create(g.pad.LogFolder, meta, kept); err != nil {
		return nil, err
	}
	g.before = g.session.Before()
	if err = g.openDoor(start); err != nil {
		return nil, err
	}
	if err = g.assemble(); err != nil {
		return nil, err
	}
	old, err := g.lookBack()
	if err != nil {
		return nil, err
	}
	g.stops.tally, g.declared.card = old.Stops, c.Card
	old.lost = append(old.lost, g.stopsOnRecord()...)
	if err = g.commissioned(start); err != nil {
		return nil, err
	}
	if err = g.openLedger(start, old); err != nil {
		return nil, err
	}
	if err = g.carded(c.Card, start, old); err != nil {
		return nil, err
	}
	for _, name := range old.lost {
		if err = g.ledger.book.Lost(start, name); err != nil {
			return nil, err
		}
	}
	if g.handed, g.lost = old.handed, len(old.lost) > 0; g.lost {
		g.lookAtLedger(start)
	}
	if err = g.handOn(); err != nil {
		return nil, err
	}
	if !opts.Stepped {
		if err = g.openLinks(); err != nil {
			return nil, err
		}
		if err = g.serve(); err != nil {
			return nil, err
		}
		return g, nil
	}
	if err = g.begin(); err != nil {
		return nil, err
	}
	return g, nil
}

// begin notes outside the session's folder that it has begun, before the loop
// turns, and puts on record what earlier ones left: a session that then breaks
// off, or whose folder is lost, lets the next one come up tripped.
func (g *Guard) begin() error {
	if err := g.session.Remember(g.keeper.state.String(), false); err != nil {
		return err
	}
	for _, e := range g.before {
		g.keeper.noteText("before this session: " + e.Says)
	}
	for _, says := range g.reread {
		g.keeper.noteText(says)
	}
	return nil
}

// OpenVirtual opens the virtual board of a pad; now is the monotonic time since. The
// packaged daemon has none: a rehearsal must not pass for a guard on real pins.
type OpenVirtual func(p *pad.Pad, now func() time.Duration) (hw.Board, error)

// Fits refuses a pad with a virtual board where nothing opens one.
func (v OpenVirtual) Fits(p *pad.Pad) error {
	if v == nil && p.Board.Kind == pad.Rehearsal {
		return errors.New("the pad file is the copy of a rehearsal, and this program guards real crafts alone: start it on the pad's own file; downhaul rehearse --real-board rehearses")
	}
	if v == nil && p.Board.Kind == pad.Virtual {
		return errors.New("the pad file asks for a virtual board, and this program works real pins alone: for a rehearsal run downhauld-bench with the same options; for a real pad write [board] kind = \"gpio\" and the lines' pins")
	}
	return nil
}

// OpenBoard opens the board that a pad file names; now is the monotonic time
// since. It fails while another process holds the board.
func OpenBoard(p *pad.Pad, now func() time.Duration, virtual OpenVirtual) (hw.Board, error) {
	if err := virtual.Fits(p); err != nil {
		return nil, err
	}
	switch p.Board.Kind {
	case pad.Virtual, pad.Rehearsal:
		return virtual(p, now)
	case pad.NoBoard:
		return noBoard{}, nil
	}
	return hw.OpenGPIO(p.GPIOBoard(now))
}

// assemble puts intake, engine, keeper and loop together.
func (g *Guard) assemble() error {
	site := g.pad.Site()
	if site.Duty == interlock.Guard {
		site.PowerUp = powerUp(g.before)
	}
	var err error
	if g.engine, err = interlock.New(g.env, site); err != nil {
		return err
	}
	cfg := g.pad.Intake()
	wanted := g.engine.Wanted()
	cfg.Fields.Wanted = &wanted
	cfg.Said = func(at time.Duration, payload []byte) { g.keeper.says.hear(at, payload) }
	in, err := intake.New(cfg)
	if err != nil {
		return err
	}
	g.keeper, err = newKeeper(g.env, g.session.Trips, g.session.Recording, func(trip uint32) {
		g.loop.Host(intake.HostMessage{Host: interlock.HostKept, On: true, Seq: trip})
	})
	if err != nil {
		return err
	}
	g.keeper.remember = func(state string) error { return g.session.Remember(state, false) }
	g.keeper.stands = g.session.Standing
	if site.Duty == interlock.Guard {
		g.keeper.faulted = g.faulted
	}
	g.keeper.tend, g.keeper.opened = g.tendLedger, g.keepOpening
	// Lines before the first move of the latch carry the state it comes up in.
	var begin interlock.View
	g.engine.View(&begin)
	g.keeper.state = begin.State
	keep := g.keeper.put
	if g.opts.Stepped {
		var r record
		keep = func(b *Batch) {
			r.set(b)
			g.keeper.write(&r)
			g.keeper.failed("recording", g.keeper.rec.Flush())
		}
	}
	g.watchOpenings(site.IdleOutput)
	pins := g.pad.Board.Line("wind_loop").Fitted
	for _, fitted := range site.Fitted {
		pins = pins || fitted
	}
	if g.loop, err = NewLoop(LoopConfig{
		Engine: g.engine, Intake: in, Board: g.board, Pins: pins, Wind: g.pad.Wind.Fitted,
		LongestGap: g.pad.LongestGap, Clock: g.now, Show: g.show, Turned: g.turned,
		Whose: g.whose,
		Keep:  func(b *Batch) { g.follow(b); keep(b) },
	}); err != nil {
		return err
	}
	g.shot.draw(g.loop) // so that whoever asks before the first turn gets an answer
	g.shot.give()
	return nil
}

// powerUp is the state that the sessions before leave behind: the worst.
func powerUp(before []session.Ending) interlock.PowerUp {
	worst := interlock.EndedCleanly
	for _, e := range before {
		switch e.ComesUp() {
		case interlock.Fault.String():
			worst = interlock.EndedInFault
		case interlock.Tripped.String():
			worst = max(worst, interlock.EndedInTrip)
		}
	}
	return worst
}

func (g *Guard) openLinks() error {
	for _, cfg := range g.pad.LinkConfigs() {
		cfg.From = g.pad.Links[cfg.Number].From
		l, err := link.Open(cfg)
		if err != nil {
			return fmt.Errorf("open telemetry link %d: %w", cfg.Number, err)
		}
		g.links = append(g.links, l)
	}
	g.loop.Reads(g.links)
	return nil
}

// release lets go of everything that is open.
func (g *Guard) release() error {
	var errs []error
	if g.socket != nil {
		errs = append(errs, g.socket.Close())
	}
	for _, l := range g.links {
		errs = append(errs, l.Close())
	}
	if g.board != nil {
		errs = append(errs, g.board.Close())
	}
	if g.session != nil {
		errs = append(errs, g.session.Close())
	}
	return errors.Join(errs...)
}
