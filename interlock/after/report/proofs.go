package report

import (
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"downhaul/interlock"
	"downhaul/interlock/records/limitproof"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/triplog"
	"downhaul/rules"
	"downhaul/rules/words"
)

// proofs reports the proof tests: what the guard was told of each, and what
// the records beside the session say.
func (r *reading) proofs(k *collector) {
	records, trouble, err := prooftest.Records(r.logs)
	if err != nil {
		trouble = append(trouble, err)
	}
	for _, err := range trouble {
		r.doubt("%v", err)
	}
	var before []*prooftest.Record
	machine := prooftest.Machine(r.pad)
	hash := hex.EncodeToString(r.pad.Hash[:])
	for _, rec := range records {
		if !rec.Made.After(r.out.Began) {
			before = append(before, rec)
			if rec.Pad.SHA256 == hash {
				machine = rec.Board.Machine // the session does not name its own
			}
		}
	}
	standing := prooftest.Stand(r.pad, before, r.out.Began, machine)
	for _, p := range standing.Proofs {
		row := Proof{Test: p.Test.String(), Says: strings.TrimPrefix(p.Says(), p.Test.String()+": "), InForce: told(k.proofs, uint32(p.Test))}
		if len(before) == 0 && p.Passed.IsZero() {
			row.Says = "no record of it stands beside the session"
		}
		r.out.Proofs = append(r.out.Proofs, row)
	}
	r.out.Proofs = append(r.out.Proofs, r.limitsProof(k))
	if !r.pad.Commission.Required && r.out.Duty == "guard" {
		r.doubt("a rehearsal: this pad asks for no proof tests, so nothing here proves a relay, a wire or a rotor")
	}
}

// limitsProof is the proof of the limits themselves.
func (r *reading) limitsProof(k *collector) Proof {
	row := Proof{Test: "the limits, by downhaul prove", InForce: told(k.proofs, limitproof.Number)}
	records, trouble, err := limitproof.Records(r.logs)
	if err != nil {
		trouble = append(trouble, err)
	}
	for _, err := range trouble {
		r.doubt("%v", err)
	}
	var before []*limitproof.Record
	for _, rec := range records {
		if !rec.Made.After(r.out.Began) {
			before = append(before, rec)
		}
	}
	if row.Says = limitproof.Due(r.pad, r.env, r.out.Integrity.Software, limitproof.AnyReaction, before); row.Says == "" {
		row.Says = "proved for exactly these files"
	}
	return row
}

func told(proofs map[uint32]bool, number uint32) string {
	overdue, ok := proofs[number]
	switch {
	case !ok:
		return "not asked for"
	case overdue:
		return "DUE"
	}
	return "in force"
}

// hazards is the table of what could go wrong: the rule against it, the proof
// that the rule's sensor works, and how often it tripped.
func (r *reading) hazards() {
	o := r.out
	for i := range o.Rules {
		row := &o.Rules[i]
		rule := &r.env.Rules[row.index]
		o.Hazards = append(o.Hazards, Hazard{Hazard: rule.Watch.Channel().Says + " " + sayLimit(rule), Rule: row.Rule, RestsOn: row.RestsOn, Proof: r.proofOf(rule.Watch), Trips: row.Trips})
	}
	if r.pad != nil && o.Duty == "guard" {
		for _, b := range builtins {
			o.Hazards = append(o.Hazards, Hazard{Hazard: b.hazard, Rule: "built in", RestsOn: b.rests, Proof: o.proofsSay(b.tests...), Trips: o.tripsBy(b.reasons)})
		}
	}
	for _, u := range o.Unseen {
		o.Hazards = append(o.Hazards, Hazard{Hazard: u.What, Rule: "NONE: " + u.Reason, RestsOn: "nobody", Proof: "none"})
	}
}

// proofOf returns which proof test shows that a channel's sensor works.
func (r *reading) proofOf(id rules.ChannelID) string {
	switch {
	case r.pad == nil:
		return "not known"
	case id == rules.Tension || id == rules.TensionRate:
		return r.out.proofsSay(prooftest.LoadCell)
	case r.pad.Fed(id) == rules.OwnSensor && r.pad.Wind.Fitted && id != rules.LinkAge && id != rules.LinkLoss:
		return r.out.proofsSay(prooftest.Anemometer)
	case r.pad.Fed(id) == rules.CraftSays:
		return "none: nobody at the pad can test what the craft says of itself"
	}
	return "none"
}

// tripsBy counts the trips that had one of these reasons.
func (s *Session) tripsBy(reasons []interlock.Reason) (n int) {
	for i := range s.Episodes {
		for _, t := range s.Episodes[i].Trips {
			if slices.ContainsFunc(reasons, func(r interlock.Reason) bool { return r.String() == t.Reason }) {
				n++
			}
		}
	}
	return n
}

// proofsSay returns which of these proof tests are in force.
func (s *Session) proofsSay(tests ...prooftest.Test) string {
	var out []string
	for _, t := range tests {
		for _, p := range s.Proofs {
			if p.Test == t.String() {
				out = append(out, p.Test+": "+p.InForce)
			}
		}
	}
	if len(out) == 0 {
		return "none"
	}
	return strings.Join(out, "; ")
}

func sayLimit(r *rules.Rule) string { return "(" + words.Condition(r) + ")" }

// builtins are the interlocks that no envelope can leave out.
var builtins = []struct {
	hazard, rests string
	reasons       []interlock.Reason
	tests         []prooftest.Test
}{
	{"somebody presses the emergency stop", "own contacts", []interlock.Reason{interlock.ReasonEStop, interlock.ReasonEStopOne}, []prooftest.Test{prooftest.Stop}},
	{"the gate is opened, or hold-to-run let go", "own contacts", []interlock.Reason{interlock.ReasonGate, interlock.ReasonHold}, []prooftest.Test{prooftest.Buttons}},
	{"the contactor does not do what it is told", "own mirror contact", []interlock.Reason{interlock.ReasonReadbackOpened, interlock.ReasonReadbackClosed,
		interlock.ReasonReadbackNot, interlock.ReasonPowerRemains, interlock.ReasonWatchdog}, []prooftest.Test{prooftest.Chain, prooftest.Rotors}},
	{"the guard itself is held up, or cannot write or read its lines", "own clock and pins", []interlock.Reason{interlock.ReasonStalled,
		interlock.ReasonRelayFailed, interlock.ReasonPinsSilent, interlock.ReasonBroken}, []prooftest.Test{prooftest.Chain, prooftest.Latency}},
	{"nothing more is heard of the craft, or of two under one name", "own link", []interlock.Reason{interlock.ReasonLink, interlock.ReasonThenSilent, interlock.ReasonClash}, nil},
	{"the craft restarts in flight", "what the craft says of itself", []interlock.Reason{interlock.ReasonRestart}, nil},
}

// finish reports what hangs on everything else.
func (r *reading) finish() {
	o := r.out
	r.hazards()
	in := &o.Integrity
	switch in.Log.Verdict {
	case triplog.Whole:
		in.Says = append([]string{fmt.Sprintf("The trip log is whole: %d lines, every one follows from the one before.", in.Log.Lines)}, in.Says...)
	case "":
	default:
		in.Says = append([]string{fmt.Sprintf("THE TRIP LOG IS %s: %s.", strings.ToUpper(string(in.Log.Verdict)), strings.TrimSuffix(in.Log.Reason, "."))}, in.Says...)
	}
	switch in.Log.Verdict {
	case triplog.Tampered:
		r.doubt("the trip log is not as it was written (file %d, line %d, %s): nothing behind that line is believed here", in.Log.File, in.Log.FirstBad, in.Log.What)
	case triplog.Torn, triplog.CutShort:
		r.doubt("the session broke off without its end record, as after a loss of power: it is reported to its last good record, at %s", o.When(seconds(r.end)))
	}
	if len(r.parts) == 0 {
		o.Link.Says = "Nothing is known of the link."
		o.Wind.Says = "Nothing is known of the wind."
	}
	if len(o.Runs) == 0 && o.Duty == "guard" {
		r.doubt("no run: power never reached the rotors through this guard")
	}
	if o.Duty == "watch" && !r.alone {
		r.doubt("duty watch: this guard held no relay and could take no power off")
	}
}

// AlikeProofs joins the proof tests of which the same is told.
func (s *Session) AlikeProofs() (out []Proof) {
	for _, p := range s.Proofs {
		i := slices.IndexFunc(out, func(o Proof) bool { return o.InForce == p.InForce && o.Says == p.Says })
		if i < 0 {
			out = append(out, p)
			continue
		}
		out[i].Test += ", " + p.Test
	}
	return out
}
