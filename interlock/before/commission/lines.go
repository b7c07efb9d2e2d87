package commission

import (
	"time"

	"downhaul/interlock"
)

// handling is how a line is worked by hand.
type handling struct{ do, undo, atRest string }

var handlings = map[interlock.Line]handling{
	interlock.Reset: {"Press reset, and keep it pressed.", "Let reset go.", "reads pressed"},
	interlock.Start: {"Press start, and keep it pressed.", "Let start go.", "reads pressed"},
	interlock.End:   {"Press end, and keep it pressed.", "Let end go.", "reads pressed"},
	interlock.Hold:  {"Hold the hold-to-run, and keep holding it.", "Let the hold-to-run go.", "reads held"},
	interlock.Gate:  {"Open the gate.", "Close the gate.", "reads open"},
}

// buttons are the lines that the crew works one by one.
var buttons = [...]interlock.Line{interlock.Reset, interlock.Start, interlock.End, interlock.Hold, interlock.Gate}

// buttons works each button and the gate: its own line must follow, and no
// other may.
func (b *bench) buttons(t *trial) error {
	for _, line := range buttons {
		if b.rig.lines[line].Fitted {
			if err := b.button(t, line); err != nil {
				return err
			}
		}
	}
	return nil
}

func (b *bench) button(t *trial, line interlock.Line) error {
	resting := line == interlock.Gate // the gate is on while closed
	h := handlings[line]
	l, err := b.rig.read()
	if err != nil {
		return err
	}
	if l.on[line] != resting {
		_, ok, err := b.await(line.String()+" "+h.atRest+" although nobody should. "+h.undo, func(l *look) bool { return l.on[line] == resting }, nil)
		if err != nil {
			return err
		}
		if !ok {
			t.found("%s %s although nobody works it: stuck, its wire cut, or wired the other way round than the pad file says", line, h.atRest)
			return nil
		}
		if l, err = b.rig.read(); err != nil {
			return err
		}
	}
	base := l.on
	var strayed [interlock.LineCount]bool
	moved := func(want bool) func(*look) bool {
		return func(l *look) bool {
			for i := range l.on {
				if other := interlock.Line(i); other != line && b.rig.lines[other].Fitted && l.on[other] != base[other] {
					strayed[other] = true
				}
			}
			return l.on[line] == want
		}
	}
	_, ok, err := b.await(h.do, moved(!resting), nil)
	if err != nil {
		return err
	}
	if !ok {
		t.found("%s was not seen: %s", line, "its wire is cut, or it stands on another line than the pad file says")
	} else {
		// A little longer: a line that follows late is seen, too.
		if _, _, err := b.rig.watch(b.ctx, 100*time.Millisecond, func(l *look) bool { moved(true)(l); return false }); err != nil {
			return err
		}
		if _, ok, err = b.await(h.undo, moved(resting), nil); err != nil {
			return err
		}
		if !ok {
			t.found("%s did not come back to rest", line)
		}
	}
	strays := 0
	for i, s := range strayed {
		if s {
			strays++
			t.found("%s moved %s as well: two wires touch, or the pad file has them mixed up", line, interlock.Line(i))
		}
	}
	t.figure(line.String()+", other lines moved", float64(strays), "1")
	return nil
}

// signals sounds the buzzer and lights the lamp; the crew is what tells.
func (b *bench) signals(t *trial) error {
	for _, s := range []struct {
		name     string
		set      func(bool) error
		question string
		wrong    string
	}{
		{"buzzer", b.cfg.Board.Buzzer().Set, "Did the buzzer sound three times, loud enough for everyone at the pad?", "the buzzer was not heard three times"},
		{"lamp", b.cfg.Board.Lamp().Set, "Did the lamp flash three times, and can the camera see it?", "the lamp was not seen to flash three times"},
	} {
		if !b.cfg.Pad.Board.Line(s.name).Fitted {
			continue
		}
		b.crew.Say("The " + s.name + " works three times now.")
		for range 3 {
			for _, on := range []bool{true, false} {
				if err := s.set(on); err != nil {
					return err
				}
				if err := b.rig.hold(b.ctx, 300*time.Millisecond); err != nil {
					return err
				}
			}
		}
		yes, err := b.yes(s.question)
		if err != nil {
			return err
		}
		if !yes {
			t.found("%s", s.wrong)
		}
		t.note("%s judged by the crew", s.name)
	}
	return nil
}
