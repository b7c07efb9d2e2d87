package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/user"
	"strings"
	"syscall"
	"time"

	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/ledger"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/rehearsed"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/timeofday"
	"downhaul/rules"
)

type defectCmd struct {
	guardAt

	Note  defectNoteCmd  `cmd:"" default:"withargs" help:"List what is on record; with words, note a defect."`
	Close defectCloseCmd `cmd:"" help:"Say what was done about a defect, or mended after a fault of the chain."`
	Watch defectWatchCmd `cmd:"" help:"Let a defect wait for a time, with the reason."`
}

func (defectCmd) Help() string {
	return "Keeps the list of defects and of faults of the chain in the log folder. What stands open holds the next start back: a defect until it is " +
		"closed or watched, a fault of the chain until the tests that it calls for were passed again (downhaul commission) and what was mended is on record. " +
		"While a guard runs it is asked over its local socket; without one, --pad names the log folder. Nothing here takes power off or gives it back."
}

type defectNoteCmd struct {
	JSON bool     `help:"Print the list as one JSON object."`
	Text []string `arg:"" optional:"" help:"What is wrong, such as \"arm 3 is loose\"."`
}

func (c *defectNoteCmd) Run(g *defectCmd, s *streams) error {
	r := answers.LedgerRequest{Act: "list"}
	if text := strings.Join(c.Text, " "); text != "" && text != "list" { // the word alone is no defect
		r.Act, r.Text = "note", text
	}
	return g.ledger(s, r, c.JSON)
}

type defectCloseCmd struct {
	Number   int    `arg:"" help:"Its number in the list."`
	Done     string `arg:"" help:"What was done or mended, in quotes."`
	Initials string `arg:"" help:"Who answers for it."`
}

func (c *defectCloseCmd) Run(g *defectCmd, s *streams) error {
	return g.ledger(s, answers.LedgerRequest{Act: "close", Of: c.Number, Text: c.Done, Initials: c.Initials}, false)
}

type defectWatchCmd struct {
	Number   int    `arg:"" help:"Its number in the list."`
	Reason   string `arg:"" help:"Why it may wait, in quotes."`
	Initials string `arg:"" help:"Who answers for it."`
	For      string `arg:"" name:"for" help:"How long, such as 3d."`
}

func (c *defectWatchCmd) Run(g *defectCmd, s *streams) error {
	q, err := rules.ParseQuantity(c.For, rules.Duration)
	if err != nil {
		return hint(fmt.Errorf("defect: how long it may wait: %w", err), "write such as 3d")
	}
	return g.ledger(s, answers.LedgerRequest{Act: "watch", Of: c.Number, Text: c.Reason, Initials: c.Initials, LastsS: q.SI}, false)
}

// defectOutput is the list as one JSON object.
type defectOutput struct {
	Schema int           `json:"schema"`
	Items  []ledger.Item `json:"items"`
	Holds  []string      `json:"start_held_back_by"`

	says string // what was put on record; empty for nothing
}

// ledger asks the running guard, or without one does it in the log folder itself.
func (g *guardAt) ledger(s *streams, r answers.LedgerRequest, asJSON bool) error {
	reply, err := g.ask(answers.Request{Do: "ledger", Ledger: &r})
	var got *answers.LedgerReply
	switch {
	case err == nil && reply.Ledger != nil:
		got = reply.Ledger
	case err == nil:
		return errors.New("defect: the guard answered without its list; are tool and guard of one version?")
	case g.Pad != "" && (errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ECONNREFUSED)):
		if got, err = ledgerOf(g.Pad, r); err != nil {
			return err
		}
	default:
		return hint(fmt.Errorf("defect: %w", err), "without a guard that runs, --pad FILE says in which log folder to look")
	}
	holds := ledger.Holding(got.Items)
	return s.conclude(&defectOutput{1, got.Items, holds, got.Says}, asJSON, nil, r.Act == "list" && len(holds) > 0)
}

// ledgerOf does what is asked in the log folder that a pad file names, while no
// guard keeps its records there.
func ledgerOf(name string, r answers.LedgerRequest) (*answers.LedgerReply, error) {
	p, err := readPad("defect", name)
	if err != nil {
		return nil, err
	}
	release, err := session.Hold(p.LogFolder)
	if err != nil {
		return nil, err
	}
	b, err := takenOver(p)
	if err == nil {
		var says string
		if says, err = r.Do(b, time.Now(), localUser()); err == nil {
			var records []*prooftest.Record
			if records, _, err = prooftest.Records(p.LogFolder); err == nil {
				items, _ := b.Items(time.Now(), ledger.ByCommission(p, records, prooftest.Machine(p)))
				return &answers.LedgerReply{Items: items, Says: says}, release()
			}
		}
	}
	return nil, errors.Join(err, release())
}

// takenOver reads the ledger of a log folder, with every fault that a guard or a
// rehearsal on the real board could not write there.
func takenOver(p *pad.Pad) (*ledger.Book, error) {
	b, err := ledger.Read(p.LogFolder, guard.Software())
	if err != nil {
		return nil, err
	}
	sessions, _, err := session.Earlier(p.LogFolder, p.Mark()) // those that cannot be read are for the guard to tell
	if err != nil {
		return nil, err
	}
	return b, errors.Join(b.TakeOver(sessions), rehearsed.Settle(p.LogFolder, b, time.Now()))
}

// ledgerNow returns the number of the newest entry of a log folder's ledger, once
// every fault on record stands in it.
func ledgerNow(p *pad.Pad) (int, error) {
	release, err := session.Hold(p.LogFolder)
	if err != nil {
		return 0, err
	}
	b, err := takenOver(p)
	if err = errors.Join(err, release()); err != nil {
		return 0, err
	}
	return b.Newest(), nil
}

// localUser names whoever runs this, as the guard's socket names its callers.
func localUser() string {
	if u, err := user.Current(); err == nil {
		return fmt.Sprintf("%s (user %s)", u.Username, u.Uid)
	}
	return fmt.Sprintf("user %d", os.Getuid())
}

func (r *defectOutput) print(w io.Writer) {
	if r.says != "" {
		wrap(w, "On record: ", "  ", r.says+".")
	}
	if len(r.Items) == 0 {
		fmt.Fprintln(w, "No defect and no fault of the chain is on record.")
	}
	for i := range r.Items {
		it := &r.Items[i]
		what := string(it.What)
		if it.Session != "" {
			what += fmt.Sprintf(", session %s at %s", it.Session, when(timeofday.OfSession(it.Session), it.AtS))
		}
		wrap(w, fmt.Sprintf("%3d. ", it.Number), "     ", it.Text)
		if !it.Made.IsZero() {
			by := ""
			if it.By != "" {
				by = ", by " + it.By
			}
			wrap(w, "     ", "     ", fmt.Sprintf("%s, %s%s", what, timeofday.Day(it.Made), by))
		}
		if it.Done != "" {
			wrap(w, "     ", "     ", it.Done)
		}
		if it.Wants != "" {
			wrap(w, "     HOLDS THE START BACK: ", "     ", it.Wants)
		}
	}
}
