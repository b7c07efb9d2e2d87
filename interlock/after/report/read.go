package report

import (
	"context"
	"crypto/sha256"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/pad"
	"downhaul/interlock/pad/unseen"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/session"
	"downhaul/rules"
	"downhaul/rules/card"
)

// Options is what a report needs besides the sessions.
type Options struct {
	// Counting, if set, is told how many bytes were read.
	Counting func(n int)
	// Software is the program that reads; see bench.By.
	Software string
}

// digest stands for a decision's text.
func digest(text []byte) [32]byte { return sha256.Sum256(text) }

// reading is one session while it is read.
type reading struct {
	ctx   context.Context
	opt   Options
	ses   *session.Session
	alone bool   // a recording and no session: ses is nil
	logs  string // the folder around it, where proof records stand
	story session.Story
	out   *Session
	pad   *pad.Pad
	env   *rules.Envelope
	card  *card.Card
	log   *logged
	parts []string           // of the recording, where it can be used
	how   []recording.Option // to open one that is no session's
	setup bench.Setup
	e     *events
	armed []stretch
	end   time.Duration
}

// Read reads one session. What is missing or doubtful stands in the result; the
// error is that nothing can be said at all, or that ctx ended.
func Read(ctx context.Context, dir string, opt Options) (*Session, error) {
	r, err := open(ctx, dir, opt)
	if err != nil {
		return nil, err
	}
	r.files()
	r.readLog()
	r.recording()
	if err := r.events(); err != nil {
		return nil, err
	}
	if err := r.analyse(); err != nil {
		return nil, err
	}
	r.finish()
	return r.out, nil
}

func open(ctx context.Context, dir string, opt Options) (*reading, error) {
	s, err := session.Open(dir)
	if err != nil {
		return nil, err
	}
	whole, err := filepath.Abs(dir) // "." has a name, too, and a folder around it
	if err != nil {
		return nil, err
	}
	r := &reading{ctx: ctx, opt: opt, ses: s, logs: filepath.Dir(whole), out: newSession(s.Info.Session, filepath.Base(whole), opt)}
	o := r.out
	o.Number, o.Duty, o.Began, o.Clock = s.Info.Number, "guard", s.Info.Wall.UTC(), s.Info.Clocks.Wall
	o.Integrity.Software, o.Integrity.Arch = s.Info.Software, s.Info.Arch
	r.out.Mark = s.Info.Mark
	if s.Info.Duty == session.DutyWatch {
		r.out.Duty = "watch"
	}
	return r, nil
}

// newSession is an empty one of that name.
func newSession(name, folder string, opt Options) *Session {
	return &Session{
		Session: name, Folder: folder,
		Doubts: []string{}, Runs: []Run{}, Episodes: []Episode{}, Like: []LikeTrips{}, Cautions: []Caution{}, Spans: []Span{}, Rules: []RuleRow{}, Packs: []Pack{},
		Openings: []Opening{}, Said: []Said{}, Words: []Words{}, Declared: []Declared{}, Proofs: []Proof{}, Hazards: []Hazard{}, Unseen: []unseen.Item{},
		NotRemoved: []NotRemoved{}, ChainFaults: []ChainFault{}, ChainOpen: []string{}, Wind: Wind{Periods: []WindPeriod{}}, Link: Link{Ignored: []bench.Ignored{}, Never: []string{}},
		units:     "metric",
		Integrity: Integrity{Changed: []string{}, Says: []string{}, Recording: []string{}, Software: opt.Software, Files: []FileHash{}},
	}
}

func (r *reading) doubt(format string, args ...any) {
	r.out.Doubts = append(r.out.Doubts, fmt.Sprintf(format, args...))
}

// text is a file of the session; one that was changed since is used, and
// doubted.
func (r *reading) text(name, what string) []byte {
	h := FileHash{Name: name}
	for _, f := range r.ses.Info.Files {
		if f.Name == name {
			h.SHA256, h.From = f.SHA256, f.From
		}
	}
	text, err := r.ses.Text(name)
	h.AsRead = err == nil
	if h.SHA256 != "" {
		r.out.Integrity.Files = append(r.out.Integrity.Files, h)
	}
	switch {
	case err == nil:
	case text != nil:
		r.out.Integrity.Changed = append(r.out.Integrity.Changed, name)
		r.doubt("%s is not what was read on the day: everything here that rests on it is doubtful", name)
	case h.SHA256 == "":
		r.doubt("the session has no %s", what)
	default:
		r.out.Integrity.Changed = append(r.out.Integrity.Changed, name)
		r.doubt("%s (%s) cannot be read: %v", name, what, err)
	}
	return text
}

func (r *reading) files() {
	if text := r.text(session.Pad, "pad file"); text != nil {
		p, faults := pad.Read(session.Pad, text)
		if len(faults) > 0 {
			r.doubt("the pad file has faults: %v", faults)
		}
		r.pad = p
	}
	if text := r.text(session.Envelope, "envelope"); text != nil {
		env, faults := rules.ReadEnvelope(session.Envelope, text)
		if len(faults) > 0 {
			r.doubt("the envelope has faults: %v", faults)
		}
		r.env = env
	}
	if text := r.text(session.Card, "test card"); text != nil {
		crd, faults := card.Read(session.Card, text)
		if len(faults) > 0 {
			r.doubt("the test card has faults, so no ballast is known from it: %v", faults)
			crd = nil
		}
		r.card = crd
	}
	r.name()
}

// name takes titles and units from the files, and what this set-up cannot see.
func (r *reading) name() {
	o := r.out
	if r.pad != nil {
		o.Pad, o.units = r.pad.Title, r.pad.Units
		var envelopes []*rules.Envelope
		if r.env != nil {
			envelopes = append(envelopes, r.env)
		}
		o.Unseen = append(o.Unseen, unseen.List(r.pad, envelopes...)...)
	}
	if r.env != nil {
		o.env = r.env
		o.Envelope, o.Changed, o.Approved, o.units = r.env.Title, r.env.Changed, r.env.ApprovedBy, r.env.Units
	}
	if r.card != nil {
		o.Card, o.craft = r.card.Title, r.card.Craft.Name
	}
}

func (r *reading) readLog() {
	log, err := readLog(r.ses)
	r.log = log
	if err != nil {
		r.doubt("the trip log cannot be used: %v", err)
	}
	r.out.Integrity.Log = log.report
	r.out.Said, r.out.Words = append(r.out.Said, log.said...), append(r.out.Words, log.words...)
	if log.lost > 0 {
		r.doubt("%d records could not be kept on the day: the disk was too slow or full", log.lost)
	}
	ending, err := r.ses.Ending()
	if err != nil {
		r.out.Ended, r.out.EndSays = string(session.Unreadable), err.Error()
		return
	}
	r.out.Ended, r.out.EndSays = string(ending.How), ending.Says
	r.out.CutShort = ending.Log.Verdict != "whole"
}

// recording finds the recording and says why it cannot be used.
func (r *reading) recording() {
	parts, err := recording.Parts(r.ses.Dir)
	if err != nil {
		r.doubt("the recording cannot be used: %v", err)
		return
	}
	if len(parts) == 0 {
		r.doubt("there is no recording: no channel can be shown, only what the trip log says")
		return
	}
	rec, err := recording.OpenParts(parts, recording.PastDamage())
	if err != nil {
		r.doubt("the recording cannot be used: %v", err)
		return
	}
	info := rec.Info()
	_ = rec.Close()
	switch {
	case !info.Own:
		r.doubt("the recording was not made by the guard, so it is not this session's: no channel is shown")
	case info.Session != r.ses.Info.Session:
		r.doubt("the recording is another session's (%s): no channel is shown", info.Session)
	case r.pad == nil || r.env == nil:
		r.doubt("without pad file and envelope the recording cannot be read: no channel is shown")
	default:
		r.parts = parts
		r.setup = bench.Setup{Envelope: r.env, Site: r.pad.Site(), Intake: r.pad.Intake()}
	}
}

// events settles what was decided: what the trip log says as far as it can be
// believed, and behind its end what the recording gives.
func (r *reading) events() error {
	r.e, r.end = &r.log.events, r.log.last
	if len(r.parts) == 0 || r.log.report.Verdict == "whole" && len(r.log.texts) > 0 && r.out.Duty != session.DutyWatch {
		return nil
	}
	replayed := &events{}
	watch := r.out.Duty == session.DutyWatch
	if watch {
		replayed.bound(r.unlistedTrip)
	}
	same, n := true, 0
	var text []byte
	res, err := r.replay(bench.UpToDamage(), bench.Deciding(func(f interlock.Effect) {
		text = interlock.AppendDecision(text[:0], r.env, f)
		if n < len(r.log.texts) && r.log.texts[n] != digest(text) {
			same = false
		}
		n++
		_ = replayed.add(text) // it is our own form
	}), bench.Seeing(func(id rules.ChannelID) bool { return id == rules.CraftArmed }, r.seeArmed))
	switch {
	case r.ctx.Err() != nil:
		return r.ctx.Err()
	case err != nil:
		r.doubt("the recording cannot be replayed: %v", err)
		r.parts = nil
		return nil
	}
	r.until(res.End)
	if same && watch && n == len(r.log.texts) {
		r.e = replayed
	}
	if same && n > len(r.log.texts) {
		r.e = replayed
		r.doubt("%d of %d decisions stand in no good line of the trip log: they are what the recording gives", n-len(r.log.texts), n)
	}
	return nil
}

// until takes the end of the recording.
func (r *reading) until(end time.Duration) {
	r.end = max(r.end, end)
	if n := len(r.armed); n > 0 && r.armed[n-1].to == rules.Never {
		r.armed[n-1].to, r.armed[n-1].cut = r.end, true
	}
}

// replay goes through the recording as the session ran.
func (r *reading) replay(options ...bench.Option) (*bench.Result, error) {
	options = append(options, bench.Ticking(r.ctx.Err), bench.Counting(r.opt.Counting), bench.By(r.opt.Software))
	if r.alone {
		return r.replayAlone(options)
	}
	res, err := bench.ReplayAs(r.ses, r.setup, options...)
	if err == nil || r.ctx.Err() != nil {
		return res, err
	}
	if len(r.log.texts) > 0 {
		return nil, err
	}
	// Without a log nobody knows how it came up, and nothing can be compared.
	return r.replayAlone(options)
}

// replayAlone goes through the recording with no log beside it.
func (r *reading) replayAlone(options []bench.Option) (*bench.Result, error) {
	how := append(slices.Clone(r.how), recording.PastDamage())
	if r.alone && r.opt.Counting != nil {
		how = append(how, recording.Counting(r.opt.Counting))
	}
	rec, err := recording.OpenParts(r.parts, how...)
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	return bench.Replay(r.parts[0], rec, r.setup, options...)
}

// analyse goes through the recording and fills in everything that hangs on it.
func (r *reading) analyse() error {
	o := r.out
	o.NotRemoved = r.e.notRemoved(o)
	o.ChainFaults = r.e.chainFaults()
	o.Unlisted = r.e.unlisted
	if !r.alone {
		o.ChainOpen = r.chainOpen()
		var err error
		if r.story, err = r.ses.Story(); err != nil {
			r.doubt("what was declared cannot be read: %v", err)
		}
	}
	story := r.story
	o.declare(story)
	if o.Duty == session.DutyWatch {
		o.Runs = armedRuns(r.armed, r.e, story, r.card, r.env)
		for i := range o.Runs {
			if run := &o.Runs[i]; r.alone {
				run.How = strings.TrimSuffix(run.How, watchedOnly)
			}
		}
	} else {
		o.Runs = runsOf(r.e, story, r.card, r.env, r.end)
		o.stayedOn(r.e)
		o.faulted(r.e)
	}
	o.Episodes = episodesOf(r.e, o, r.env, o.Began)
	if o.Duty == session.DutyWatch {
		o.alike()
	}
	o.Cautions = cautionsOf(r.e, r.env)
	o.Lasted = seconds(r.end)
	if len(r.parts) == 0 {
		r.ruleRows(nil)
		return nil
	}
	k := newCollector(o, r.env, r.pad, r.e, r.end)
	k.watchLift(r.card)
	res, err := r.replay(bench.Seeing(k.ch.wants, k.look), bench.Saying(k.say))
	switch {
	case r.ctx.Err() != nil:
		return r.ctx.Err()
	case err != nil:
		r.doubt("the recording cannot be replayed: %v", err)
		r.ruleRows(nil)
		return nil
	}
	if res.End > r.end {
		r.end = res.End
		o.Lasted = seconds(r.end)
	}
	if r.e.most > 0 && o.Unlisted > 0 {
		r.alikeIn(res)
	}
	r.take(k, res)
	o.witnessed(r.pad != nil && r.pad.Contactor.Readback)
	return nil
}
