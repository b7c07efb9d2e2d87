package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/records/recording"
	"downhaul/rules"
	"downhaul/rules/words"
)

type compareCmd struct {
	Envelope   []string `placeholder:"FILE" sep:"none" help:"Give it twice: the envelope as it is, then the other one."`
	Pad        string   `placeholder:"FILE" help:"The pad file: whose craft, which packs, which sensors. Without it, a session's own, or what the recording itself shows."`
	JSON       bool     `help:"Print one JSON object."`
	Recordings []string `arg:"" name:"rec" help:"Session folder, pcapng or pcap of the telemetry link, or raw MAVLink bytes; packed with gzip as well."`
}

func (compareCmd) Help() string {
	return "Runs the same recordings through two envelopes with the very core that guards, and shows which trips and cautions " +
		"the second one gains, loses, or has earlier or later, rule by rule. Rules are the same when their names are, or when they say the same and were only renamed; two trips are " +
		"the same when the stretches in which the rule asked for its stop overlap. Exit code 1 means that the two differ."
}

const compareSchema = 1

// compared is the whole answer.
type compared struct {
	Schema     int                 `json:"schema"`
	A          string              `json:"a"`
	B          string              `json:"b"`
	Differ     bool                `json:"differ"`
	Rules      []bench.Tally       `json:"rules"`
	Changed    []changedRule       `json:"changed_rules"`
	Recordings []*bench.Difference `json:"recordings"`
	Failed     []failure           `json:"failed"`
}

// changedRule is a rule that says something else in the two envelopes.
type changedRule struct {
	Rule string `json:"rule"`
	A    string `json:"a"`
	B    string `json:"b"`
	// RenamedTo is the name in B of a rule of which nothing but the name changed.
	RenamedTo string `json:"renamed_to,omitempty"`
}

func (c *compareCmd) Run(ctx context.Context, s *streams) error {
	if len(c.Envelope) != 2 {
		return hint(fmt.Errorf("compare: %s given, and it takes two", words.Count(len(c.Envelope), "envelope")), "downhaul compare --envelope NOW --envelope THEN REC...")
	}
	var errs []error
	var envelopes [2]*rules.Envelope
	for i, file := range c.Envelope {
		env, err := readEnvelope("compare", file)
		envelopes[i] = env
		errs = append(errs, err)
	}
	p, err := readPad("compare", c.Pad)
	if err := errors.Join(append(errs, err)...); err != nil {
		return err
	}
	a, b := envelopes[0], envelopes[1]
	results, failed, bad := eachRecording(ctx, s, "compare", c.Recordings, func(j *job) (*bench.Difference, error) {
		var d *bench.Difference
		notes, err := j.against(a, p, func(rec *recording.Reader, setup bench.Setup) (err error) {
			d, err = bench.Compare(j.name, rec, setup, a, b, j.ticking())
			return err
		})
		if err != nil {
			return nil, err
		}
		d.Notes = slices.Insert(d.Notes, 0, notes...)
		return d, nil
	})
	if len(results) == 0 {
		return bad
	}
	out := compared{Schema: compareSchema, A: c.Envelope[0], B: c.Envelope[1], Rules: bench.Total(results),
		Changed: changedRules(a, b), Recordings: results, Failed: failed}
	for i := range out.Rules {
		out.Differ = out.Differ || out.Rules[i].Differs()
	}
	return s.conclude(&out, c.JSON, bad, out.Differ)
}

// changedRules lists what the rules themselves say differently, and which were
// only renamed.
func changedRules(a, b *rules.Envelope) []changedRule {
	const none = "not there"
	out := []changedRule{}
	for _, p := range bench.Pairs(a, b) {
		switch {
		case p.A < 0:
			out = append(out, changedRule{Rule: b.Rules[p.B].Name, A: none, B: words.Rule(&b.Rules[p.B])})
		case p.B < 0:
			out = append(out, changedRule{Rule: a.Rules[p.A].Name, A: words.Rule(&a.Rules[p.A]), B: none})
		default:
			x, y := &a.Rules[p.A], &b.Rules[p.B]
			c := changedRule{Rule: x.Name, A: words.Rule(x), B: words.Rule(y)}
			if x.Name != y.Name {
				c.RenamedTo = y.Name
			}
			if c.A != c.B || c.RenamedTo != "" {
				out = append(out, c)
			}
		}
	}
	return out
}

// mostChanges is how many changes are printed one by one; ours.
const mostChanges = 30

func (c *compared) print(w io.Writer) {
	wrap(w, "A: ", "   ", c.A)
	wrap(w, "B: ", "   ", c.B)
	for _, r := range c.Changed {
		fmt.Fprintf(w, "\n%s\n", printable(r.Rule))
		wrap(w, "  A: ", "     ", r.A)
		if r.RenamedTo != "" {
			wrap(w, "  B: ", "     ", fmt.Sprintf("renamed to %q, and does the same", printable(r.RenamedTo)))
			continue
		}
		wrap(w, "  B: ", "     ", r.B)
	}
	fmt.Fprintln(w)
	joined := uint64(0)
	var rows [][]string
	for i, t := range c.Rules {
		if t.What != c.Rules[0].What && t.A+t.B == 0 {
			continue // a rule has its own row for trips, others only where there are any
		}
		name := t.Rule
		if i > 0 && c.Rules[i-1].Rule == t.Rule && t.What != c.Rules[0].What {
			name = ""
		}
		count := func(n uint64, side string) string {
			if t.OnlyIn != "" && t.OnlyIn != side {
				return "none"
			}
			return fmt.Sprint(n)
		}
		rows = append(rows, []string{name, t.What, count(t.A, "a"), count(t.B, "b"), fmt.Sprint(t.Gained), fmt.Sprint(t.Lost), fmt.Sprint(t.Earlier), fmt.Sprint(t.Later)})
		joined += t.Joined
	}
	table(w, "", []string{"rule", "", ">A", ">B", ">gained", ">lost", ">earlier", ">later"}, []int{18, 15, 5, 5, 6, 5, 7, 5}, rows)
	if joined > 0 {
		wrap(w, "", "", pick(joined == 1, "1 more falls", fmt.Sprint(joined, " more fall"))+" into a longer one of the other envelope: neither gained nor lost.")
	}
	c.printChanges(w)
	for _, d := range c.Recordings {
		for _, n := range d.Notes {
			wrap(w, "  Note: ", "    ", pick(len(c.Recordings) > 1, d.File+": ", "")+n)
		}
	}
	fmt.Fprintln(w)
	wrap(w, "", "", c.verdict())
}

// printChanges lists the changes of each recording, trips before cautions.
func (c *compared) printChanges(w io.Writer) {
	shown, all := 0, 0
	for _, d := range c.Recordings {
		if len(d.Changes) == 0 {
			continue
		}
		all += len(d.Changes)
		if shown < mostChanges {
			fmt.Fprintln(w)
			wrap(w, "In ", "  ", d.File+":")
		}
		for _, cautions := range []bool{false, true} {
			for _, ch := range d.Changes {
				if (ch.What == "caution") != cautions || shown == mostChanges {
					continue
				}
				shown++
				wrap(w, fmt.Sprintf("%9.2f s  %-7s  ", ch.AtS, ch.How), strings.Repeat(" ", 22), changeText(ch))
			}
		}
	}
	if all > shown {
		fmt.Fprintf(w, "  %d more of these; --json lists them all\n", all-shown)
	}
}

func changeText(c bench.Change) string {
	text := c.What + ", " + c.Rule
	if c.Value != nil {
		text += ": " + words.Past(*c.Value, *c.Limit, c.Shown, c.What == "caution")
	}
	if c.ByS > 0 {
		text += fmt.Sprintf(", by %.2f s", c.ByS)
	}
	return text
}

// verdict returns it all in one or two sentences.
func (c *compared) verdict() string {
	over := fmt.Sprintf("over %s", words.Count(len(c.Recordings), "recording"))
	if !c.Differ {
		return fmt.Sprintf("No difference %s: B trips and cautions where A does, at the same times.", over)
	}
	var trips, cautions bench.Tally
	for _, t := range c.Rules {
		sum := &trips
		if t.What == "caution" {
			sum = &cautions
		}
		sum.A += t.A
		sum.B += t.B
		sum.Gained += t.Gained
		sum.Lost += t.Lost
		sum.Earlier += t.Earlier
		sum.Later += t.Later
		sum.Joined += t.Joined
	}
	text := "B " + tallyText("trip", &trips) + " " + over + "; it " + tallyText("caution", &cautions) + "."
	if trips.Lost+trips.Later > 0 {
		text += " Look at what is lost or later before you fly by B."
	}
	return text
}

func tallyText(word string, t *bench.Tally) string {
	if !t.Differs() {
		return fmt.Sprintf("%ss as A does (%d)", word, t.A)
	}
	var parts []string
	for _, p := range []struct {
		n    uint64
		what string
	}{{t.Gained, "gained"}, {t.Lost, "lost"}, {t.Earlier, "earlier"}, {t.Later, "later"}, {t.Joined, "within a longer one"}} {
		if p.n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", p.n, p.what))
		}
	}
	return fmt.Sprintf("%ss %s, A %s (%s)", word, times(t.B), times(t.A), strings.Join(parts, ", "))
}

func times(n uint64) string {
	switch n {
	case 0:
		return "never"
	case 1:
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}
