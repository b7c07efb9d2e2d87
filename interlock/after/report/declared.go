package report

import (
	"fmt"

	"downhaul/interlock/records/session"
)

func (o *Session) declare(story session.Story) {
	for i := range story.Declarations {
		d := &story.Declarations[i]
		o.Declared = append(o.Declared, Declared{At: seconds(d.At), Says: declaredSays(d)})
	}
}

func declaredSays(d *session.Declaration) string {
	by := ""
	if d.By != "" {
		by = " (" + d.By + ")"
	}
	switch d.What {
	case session.DeclaredStep:
		return "step: " + d.Step + by
	case session.DeclaredPacks:
		return fmt.Sprintf("packs: %s%s", list(d.Packs), by)
	case session.DeclaredAir:
		return "air: " + d.Value + ", declared, not measured" + by
	case session.DeclaredWind:
		return "wind read by hand: " + d.Value + ", declared, not measured" + by
	case session.DeclaredStop:
		return fmt.Sprintf("rotors stood after %s, read by hand, by %s%s", d.Value, d.Initials, by)
	case session.DeclaredConfirm:
		return fmt.Sprintf("%s confirmed by %s%s", d.Step, d.Initials, by)
	case session.DeclaredBallast:
		return fmt.Sprintf("ballast of %s weighed: %s, by %s%s", d.Step, d.Value, d.Initials, by)
	case session.DeclaredSafe:
		if d.Value != "" {
			by = ", packs at " + d.Value + by
		}
		return fmt.Sprintf("made safe: packs out, by %s%s", d.Initials, by)
	}
	says := "not passed"
	if d.Passed {
		says = "passed"
	}
	return fmt.Sprintf("%s: %s, %s, initials %s%s", d.Step, d.Value, says, d.Initials, by)
}
