package report

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"

	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/session"
	"downhaul/rules"
	"downhaul/rules/card"
)

// Files is what a recording that is no session does not hold itself.
type Files struct {
	Pad      *pad.Pad        // must be there
	Envelope *rules.Envelope // nil: no limits
	Card     *card.Card      // nil: no ballast is known
	Step     string          // the step of the card that flew in it; empty: not told
	Port     uint16          // of a capture, the UDP port whose datagrams are taken; 0: all
}

// cannotTell is what no recording of a link tells, whatever is in it.
const cannotTell = "A recording alone, held against the limits as a guard in duty watch would have been: of relay, readback, buttons, gate, " +
	"declarations, proof tests and the trip log it tells nothing, and nothing shows whether it is as it was written."

// openAlone opens a recording that is no session. A session that nobody guarded has no
// log, so what was decided is what a replay decides.
func openAlone(ctx context.Context, name string, files Files, opt Options) (*reading, error) {
	if files.Pad == nil {
		return nil, errors.New("a recording tells neither craft nor packs nor sensors: give --pad FILE; \"downhaul new DIR\" asks what was heard of a recording and writes one")
	}
	if files.Envelope == nil {
		files.Envelope = &rules.Envelope{Title: "no limits", Units: files.Pad.Units}
	}
	var how []recording.Option
	if files.Port > 0 {
		how = append(how, recording.OnlyPort(files.Port))
	}
	how = append(how, recording.LookedThrough(name, how...), recording.PastDamage())
	rec, err := recording.Open(name, how...)
	if err != nil {
		return nil, err
	}
	info := rec.Info()
	_ = rec.Close()
	base := filepath.Base(name)
	r := &reading{ctx: ctx, opt: opt, alone: true, story: session.Story{}, pad: files.Pad, env: files.Envelope, card: files.Card, log: &logged{}, parts: []string{name}, how: how}
	r.out = newSession(base, base, opt)
	o := r.out
	o.Alone, o.Duty, o.Began, o.Ended = true, "watch", info.Start.UTC(), "the recording ends"
	r.give(files)
	var notes []string
	if r.setup, notes, err = bench.Watching(r.parts, r.env, r.pad, how...); err != nil {
		return nil, err
	}
	o.Integrity.Says = append(o.Integrity.Says, cannotTell)
	o.Integrity.Recording = append(o.Integrity.Recording, notes...)
	if info.Start.IsZero() {
		r.doubt("raw bytes do not tell when they were recorded: the date is not known")
	}
	return r, nil
}

// give takes the files as a session's own would be.
func (r *reading) give(files Files) {
	if files.Step != "" {
		r.story.Declarations = []session.Declaration{{What: session.DeclaredStep, Step: files.Step, By: "named for this report"}}
	}
	r.name()
}

// ReadAlone reads a recording that is no session, with files that belong to it. Times
// in which the craft was armed are its runs.
func ReadAlone(ctx context.Context, name string, files Files, opt Options) (*Session, error) {
	r, err := openAlone(ctx, name, files, opt)
	if err != nil {
		return nil, err
	}
	r.e = &events{}
	r.e.bound(r.unlistedTrip)
	var text []byte
	res, err := r.replay(bench.Deciding(func(f interlock.Effect) {
		text = interlock.AppendDecision(text[:0], r.env, f)
		_ = r.e.add(text) // it is our own form
	}), bench.Seeing(func(id rules.ChannelID) bool { return id == rules.CraftArmed }, r.seeArmed))
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case err != nil:
		return nil, fmt.Errorf("replay: %w", err)
	}
	r.until(res.End)
	if err := r.analyse(); err != nil {
		return nil, err
	}
	r.finish()
	return r.out, nil
}
