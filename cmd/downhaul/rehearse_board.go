package main

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"path/filepath"
	"strings"
	"time"
	"unicode/utf8"

	"downhaul/hw"
	"downhaul/interlock"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/model/rehearsal"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/ledger"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/rehearsed"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/stopping"
	"downhaul/rules/words"
)

// pressWithin is how long the press at the board is waited for; ours. mostInitials is what
// the ledger takes.
const (
	pressWithin  = time.Minute
	mostInitials = 10
)

// boardRehearsal is a rehearsal on the pad's real board: buttons, relay, horn and lamp are
// real, the craft is a model.
type boardRehearsal struct {
	s        *streams
	pad      *pad.Pad
	set      *rehearsal.Setup
	name     string
	scenario *craftmodel.Scenario
	crew     *people
	by       string
}

// onBoard rehearses on the pad's real board. The log folder is held all the while, so that
// no guard runs.
func (c *rehearseCmd) onBoard(ctx context.Context, s *streams, files guard.Files) (err error) {
	b, err := c.board(s, files)
	if err != nil {
		return err
	}
	release, err := session.Hold(b.pad.LogFolder)
	if err != nil {
		return hint(fmt.Errorf("rehearse: %w", err), "no guard may run meanwhile")
	}
	defer func() { err = errors.Join(err, release()) }()
	book, err := b.ledger()
	if err != nil {
		return err
	}
	printRehearsed(s, b.set)
	if err := b.cautions(ctx); err != nil {
		return err
	}
	began := time.Now()
	now := func() time.Duration { return time.Since(began) }
	lines := b.pad.GPIOBoard(now)
	lines.LoadCell, lines.Anemometer.Pin = hw.LoadCellConfig{}, hw.Pin{} // modelled
	real, err := hw.OpenGPIO(lines)
	if err != nil {
		return hint(fmt.Errorf("rehearse: %w", err), "no guard and no other test may run meanwhile")
	}
	defer func() { _ = real.Close() }() // the guard closed it and told of it, unless there was none
	pins, err := rehearsal.NewPins(b.pad, real, now)
	if err != nil {
		return fmt.Errorf("rehearse: %w", err)
	}
	quit, err := rehearsal.Overhear(ctx, b.pad, pins.Cut)
	if err != nil {
		return fmt.Errorf("rehearse: %w", err)
	}
	defer quit()
	if err := b.ready(ctx, pins); err != nil {
		return err
	}
	return b.practise(ctx, pins, book)
}

// board reads what is rehearsed, and refuses what a real board cannot.
func (c *rehearseCmd) board(s *streams, files guard.Files) (*boardRehearsal, error) {
	checked, faults := files.Check()
	if len(faults) > 0 {
		return nil, faults
	}
	p := checked.Pad
	switch {
	case p.Board.Kind != pad.GPIO:
		return nil, hint(errors.New("rehearse: the pad file names no real board"), `leave out --real-board; a real board has its lines' pins under [board] kind = "gpio"`)
	case p.Duty == interlock.Watch:
		return nil, hint(errors.New("rehearse: the pad only watches, so there is no relay to practise with"), "leave out --real-board: on a virtual board it is rehearsed as if it guarded")
	}
	set, err := rehearsal.Prepare(files, c.Step, p.LogFolder, c.Envelope == "")
	if err != nil {
		return nil, err
	}
	// What is wrong with the copies for a rehearsal is said before anybody answers a question.
	if _, err := set.OnPins(rehearsed.FolderAt(p.LogFolder, time.Now()), netip.AddrPortFrom(netip.IPv6Loopback(), 1), &rehearsal.Pins{}); err != nil {
		return nil, hint(err, "the sessions lie below the log folder of the pad file, with a socket: its path must be short")
	}
	set.Craft.Config.Seed = c.Seed
	scenario, err := scenarioOf(set, c.Scenario[0])
	if err == nil {
		err = rehearsal.CanPlay(c.Scenario[0], scenario, true)
	}
	if err != nil {
		return nil, err
	}
	return &boardRehearsal{s: s, pad: p, set: set, scenario: scenario,
		name: strings.TrimSuffix(filepath.Base(c.Scenario[0]), ".txt"), crew: newPeople(s.in, s.out)}, nil
}

// ledger reads the ledger of the log folder, which says whether the chain may be worked.
func (b *boardRehearsal) ledger() (*ledger.Book, error) {
	if err := canKeep(rehearsed.Folder(b.pad.LogFolder)); err != nil {
		return nil, hint(fmt.Errorf("rehearse: %w", err), "what the real chain does goes on record in the log folder; "+asGuard)
	}
	book, err := takenOver(b.pad)
	if err != nil {
		return nil, fmt.Errorf("rehearse: %w", err)
	}
	records, _, err := prooftest.Records(b.pad.LogFolder)
	if err != nil {
		return nil, fmt.Errorf("rehearse: %w", err)
	}
	items, _ := book.Items(time.Now(), ledger.ByCommission(b.pad, records, prooftest.Machine(b.pad)))
	if holds := ledger.Holding(items); len(holds) > 0 {
		return nil, hint(fmt.Errorf("rehearse: what holds a start back holds a rehearsal on the real board back: %s", strings.Join(holds, "; ")), "settle that first, or leave out --real-board")
	}
	return book, nil
}

// cautions are confirmed one by one.
func (b *boardRehearsal) cautions(ctx context.Context) error {
	b.crew.Say("This rehearsal energises the real relay and contactor, and sounds the real horn. The craft is a model. It replaces no hard-wired stop.")
	for _, c := range []struct{ question, without string }{
		{"Local codes and the word of licensed people go before anything here. Do they allow this today?", "ask them first"},
		{"Are the propellers off every motor?", "take them off first"},
		{"Are the packs out of the craft, and is it without power?", "take them out first: the contactor will close"},
		{"Is nobody inside the keep-out, and one of you at the hard-wired emergency stop?", "clear the pad, and put one of you there"},
	} {
		for answered := false; !answered; {
			answer, err := b.crew.Ask(ctx, c.question, "yes or no")
			if err != nil {
				return fmt.Errorf("rehearse: not confirmed, so nothing was opened: %w", err)
			}
			switch strings.ToLower(strings.TrimSpace(answer)) {
			case "yes", "y":
				answered = true
			case "no", "n":
				return hint(errors.New("rehearse: nothing was opened"), "%s", c.without)
			default:
				b.crew.Say(fmt.Sprintf("Answer yes or no (got %q).", answer))
			}
		}
	}
	for {
		answer, err := b.crew.Ask(ctx, "Who answers for that?", "initials")
		if err != nil {
			return fmt.Errorf("rehearse: not confirmed, so nothing was opened: %w", err)
		}
		b.by = strings.TrimSpace(answer)
		if n := utf8.RuneCountInString(b.by); n > 0 && n <= mostInitials && printable(b.by) == b.by {
			return nil
		}
		b.crew.Say(fmt.Sprintf("Initials are 1 to %d characters (got %q).", mostInitials, answer))
	}
}

// ready waits until the real links have been quiet, and for a press and release of reset
// at the board itself.
func (b *boardRehearsal) ready(ctx context.Context, pins *rehearsal.Pins) error {
	quiet := rehearsal.QuietFor(b.pad)
	b.crew.Say(fmt.Sprintf("Listening to the real link for %.0f s: a craft without power is silent.", quiet.Seconds()))
	if err := b.wait(ctx, pins, quiet, func() (bool, error) { return false, nil }); err != nil {
		return err
	}
	b.crew.Say("Quiet. Now somebody at the board: press reset and let it go.")
	seen := 0 // released, pressed, released
	err := b.wait(ctx, pins, pressWithin, func() (bool, error) {
		pressed, err := pins.Pressed(interlock.Reset)
		if err == nil && pressed == (seen == 1) {
			seen++
		}
		return seen == 3, err
	})
	if err == nil && seen < 3 {
		err = hint(errors.New("rehearse: no press of reset was seen at the board, so nothing was energised"), "is it wired as the pad file says? downhaul commission --only buttons tells")
	}
	return err
}

// wait waits for something at the board, for so long at most.
func (b *boardRehearsal) wait(ctx context.Context, pins *rehearsal.Pins, long time.Duration, done func() (bool, error)) error {
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(long); time.Now().Before(end); {
		select {
		case <-ctx.Done():
			return errors.New("rehearse: ended before it began; nothing was energised")
		case <-pins.Ended:
			return hint(fmt.Errorf("rehearse: nothing was energised: %w", pins.Why()), "take the packs out, and any other supply off the craft; if that is another craft, give this pad a link of its own")
		case <-tick.C:
		}
		if ok, err := done(); ok || err != nil {
			return err
		}
	}
	return nil
}

// practise runs the rehearsal, with its beginning and its end on record.
func (b *boardRehearsal) practise(ctx context.Context, pins *rehearsal.Pins, book *ledger.Book) error {
	link, err := rehearsal.FreePort()
	if err != nil {
		return fmt.Errorf("rehearse: %w", err)
	}
	on, err := rehearsed.Begin(b.pad.LogFolder, book, time.Now(), guard.Software(), b.by, stopping.What(b.pad, b.set.Craft.Config.Name))
	if err != nil {
		return fmt.Errorf("rehearse: %w", err)
	}
	own, err := b.set.OnPins(on.Dir, link, pins)
	padName := filepath.Join(on.Dir, session.Pad)
	if err == nil {
		err = writeNew(padName, own.Files.Pad.Text, false)
	}
	if err != nil {
		_, unwritten := on.End(time.Now(), "it did not begin")
		return errors.Join(fmt.Errorf("rehearse: %w", err), unwritten)
	}
	b.crew.Say("REHEARSAL. The real buttons are live. In a second terminal, what the guard sees:")
	fmt.Fprintf(b.s.out, "\n    downhaul status --watch --pad %s\n\n", printable(padName))
	b.crew.Say("Each start flies the scenario once. Control-C ends it; so does any sign of power in the real craft.")
	fmt.Fprintln(b.s.out)
	r, faults, openings, err := own.Practise(ctx, on, b.name, b.scenario, b.s.line)
	fmt.Fprintln(b.s.out)
	if err != nil {
		return fmt.Errorf("rehearse: %w", err)
	}
	wrap(b.s.out, "On record: ", "           ", fmt.Sprintf("%s of the real contactor, %s of the real chain. Nothing else of it counts.", words.Count(openings, "opening"), words.Count(faults, "fault")))
	wrap(b.s.out, "Session:   ", "           ", printable(r.Session))
	if why := pins.Why(); why != nil {
		return hint(fmt.Errorf("rehearse: ended, and the relay opened: %w", why), "take the packs out before anything else; going live is another process (downhauld)")
	}
	if faults > 0 {
		wrap(b.s.out, "", "", "The next live start is held back: downhaul defect --pad FILE says by what.")
		return errFound
	}
	return nil
}
