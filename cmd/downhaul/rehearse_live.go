package main

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"

	"downhaul/interlock/model/rehearsal"
	"downhaul/interlock/records/session"
)

// live runs the guard and the craft, and leaves the buttons to the crew.
func (c *rehearseCmd) live(ctx context.Context, s *streams, set *rehearsal.Setup, dir string, thrown bool) error {
	name := c.Scenario[0]
	scenario, err := scenarioOf(set, name)
	if err != nil {
		return err
	}
	link, err := rehearsal.FreePort()
	if err != nil {
		return fmt.Errorf("rehearse: %w", err)
	}
	own, err := set.Live(dir, link)
	if err != nil {
		return hint(err, "--out names a folder with a short path; the sockets of guard and board stand in it")
	}
	// So that board, status and declare find this guard.
	padName := filepath.Join(dir, session.Pad)
	if err := writeNew(padName, own.Files.Pad.Text, false); err != nil {
		return fmt.Errorf("rehearse: %w", err)
	}
	wrap(s.out, "", "", "You press the buttons: in a second terminal,")
	fmt.Fprintf(s.out, "\n    downhaul board --pad %s\n\n", printable(padName))
	wrap(s.out, "", "", pick(own.Checked.Pad.Board.Line("hold").Fitted, "Close the gate (g), keep hold-to-run down (H), reset (r), start (s). ", "Close the gate (g), reset (r), start (s). ")+
		"Each start flies the scenario once. Control-C ends the rehearsal.")
	fmt.Fprintln(s.out)
	r, err := own.FlyLive(ctx, strings.TrimSuffix(filepath.Base(name), ".txt"), scenario, s.line)
	if err != nil {
		return fmt.Errorf("rehearse: %w", err)
	}
	fmt.Fprintln(s.out)
	if thrown {
		wrap(s.out, "", "", "Its records are thrown away: --out DIR keeps them.")
		return nil
	}
	wrap(s.out, "Session: ", "         ", printable(r.Session))
	fmt.Fprintf(s.out, "next: downhaul report --out %s %s\n", printable(filepath.Join(dir, "report")), printable(r.Session))
	return nil
}
