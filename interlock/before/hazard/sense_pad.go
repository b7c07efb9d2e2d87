package hazard

import (
	"fmt"
	"math"
	"net/netip"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/interlock/pad"
	"downhaul/interlock/sense"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
)

// longAgo is how old a measurement may be before it is asked whether it still holds:
// ours, and long, since what is shipped as an example ages too.
const longAgo = 20 * 365 * 24 * time.Hour

func (l *looker) dates(refused bool) {
	for _, d := range []struct {
		file   sense.Source
		key, t string
	}{{l.PadFile, "stop.date", padDate(l.Pad)}, {l.CardFile, "motors.rig.date", cardDate(l.Card)}} {
		t, err := time.Parse(time.DateOnly, d.t)
		if err != nil {
			continue
		}
		wrong := ""
		switch no := t.Year() < 2000 || t.Year() > 2100; {
		case no != refused:
		case no:
			wrong = "is no year in which this was measured"
		case t.After(l.today.AddDate(0, 0, 1)):
			wrong = "is in the future: this computer's clock says " + l.today.Format(time.DateOnly)
		case l.today.Sub(t) > longAgo:
			wrong = fmt.Sprintf("is %.0f years ago by this computer's clock: rotors, controllers and scales have changed since", l.today.Sub(t).Hours()/24/365)
		}
		if wrong != "" {
			l.tell(d.file.Fault(0, wrong, `write the day on which it was measured, such as "2026-05-31", or measure again`, d.key))
		}
	}
}

func padDate(p *pad.Pad) string {
	if p == nil {
		return ""
	}
	return p.Stop.Date
}

func cardDate(c *card.Card) string {
	if c == nil {
		return ""
	}
	return c.Motors.Rig.Date
}

// eachLink calls look for each link, with tell for a fault at one of its keys.
func (l *looker) eachLink(look func(k *pad.Link, tell func(wrong, mend, key string))) {
	if l.Pad == nil {
		return
	}
	rows := document.Parse("", l.PadFile.Text).Root().Rows("link")
	for i := range l.Pad.Links {
		line := 0
		if i < len(rows) {
			line = rows[i].Line()
		}
		look(&l.Pad.Links[i], func(wrong, mend, key string) {
			l.tell(l.PadFile.Fault(line, fmt.Sprintf("link %q: %s", l.Pad.Links[i].Name, wrong), mend, "link[]."+key, "link[].kind"))
		})
	}
}

func (l *looker) addresses() {
	var heard []netip.AddrPort
	l.eachLink(func(k *pad.Link, tell func(wrong, mend, key string)) {
		at, err := netip.ParseAddrPort(k.Address)
		if err == nil && k.Kind == pad.UDP {
			for _, b := range heard {
				if b.Port() == at.Port() && at.Port() > 0 && b != at && (b.Addr().IsUnspecified() || at.Addr().IsUnspecified()) {
					tell(fmt.Sprintf("the port is one of %s already, which takes every address of this computer", b), "give each link a port of its own", "address")
					return
				}
			}
			heard = append(heard, at)
		}
		switch {
		case strings.HasSuffix(k.Address, ":0") && k.Address != "127.0.0.1:0": // at a table
			tell("it has no port: 0 is whichever the system picks, and no craft sends there", "write the port that the craft sends to", "address")
		case err == nil && k.Kind == pad.TCP && (at.Addr().IsUnspecified() || nobodys(at.Addr())):
			tell("nobody has this address, so there is no server to call", `write the server's, such as "192.0.2.1:5760"`, "address")
		case err == nil && nobodys(at.Addr()):
			tell("no computer has this address of its own, so nothing would be heard", `write this computer's own address, or "0.0.0.0" with the port for each of them`, "address")
		}
	})
}

// nobodys reports whether an address is that of no single computer: multicast, or the
// broadcast of the network at hand.
func nobodys(a netip.Addr) bool {
	return a.Is4() && a.As4() == [4]byte{255, 255, 255, 255} || a.IsMulticast()
}

// senders looks at the sender that a link hears alone.
func (l *looker) senders(refused bool) {
	l.eachLink(func(k *pad.Link, tell func(wrong, mend, key string)) {
		from := k.From.Addr()
		at, err := netip.ParseAddrPort(k.Address)
		if !from.IsValid() || err != nil {
			return
		}
		own, last := at.Addr().Unmap(), from.AsSlice()
		const mend = `write the craft's address as downhaul listen shows it, such as "192.0.2.10"`
		say := func(no bool, wrong string) {
			if no == refused {
				tell(wrong, mend, "from")
			}
		}
		switch {
		case nobodys(from):
			say(true, "multicast and broadcast are addresses to send to: nothing ever comes from there, and the craft would not be heard")
		case from.Is4() != own.Is4() && !(own.Is6() && own.IsUnspecified()):
			say(true, fmt.Sprintf("nothing from there reaches %s, which is an address of another family", own))
		case own.IsLoopback() && !from.IsLoopback():
			say(true, fmt.Sprintf("nothing from there reaches %s, which hears this computer alone", own))
		case k.From == netip.AddrPortFrom(own, at.Port()):
			say(true, "is the address at which the guard itself listens")
		case from.IsLoopback() && !own.IsLoopback() && !own.IsUnspecified():
			say(false, fmt.Sprintf("what this computer sends to %s comes from there, and not from %s", own, from))
		case from.Is4() && (last[3] == 255 || last[3] == 0):
			say(false, "ends as the broadcast or the name of a network does, from which nothing comes")
		}
	})
}

// paths looks at files and folders of the pad that stand in each other's way.
func (l *looker) paths(refused bool) {
	if l.Pad == nil {
		return
	}
	type path struct{ key, at string }
	logs := path{"log_folder", filepath.Clean(l.Pad.LogFolder)}
	all := []path{logs}
	for _, p := range []path{{"socket", l.Pad.Socket}, {"board.socket", l.Pad.Board.Socket}, {"signing.key_file", l.Pad.SigningKey}} {
		if p.at != "" {
			all = append(all, path{p.key, filepath.Clean(p.at)})
		}
	}
	inside := func(a, in path) bool { return strings.HasPrefix(a.at, in.at+string(filepath.Separator)) }
	for i, a := range all {
		for _, b := range all[:i] {
			tell := func(no bool, key, wrong string) {
				if no == refused {
					l.pad(wrong, "give each a path of its own", key)
				}
			}
			switch {
			case a.at == b.at:
				tell(true, a.key, "is the path of "+b.key+" too")
			case inside(b, a):
				tell(true, b.key, "lies inside "+a.key+", which is no folder")
			case inside(a, b) && b != logs:
				tell(true, a.key, "lies inside "+b.key+", which is no folder")
			case inside(a, b) && strings.HasSuffix(a.key, "socket") && !l.Pad.Board.Kind.Models(): // a rehearsal keeps all in one folder
				tell(false, a.key, "lies among the records in log_folder, where it goes when they are moved")
			}
		}
	}
}

// voteLow looks at a vote that lets the craft be higher than a limit sees, by more than
// the error that counts as height already gained.
func (l *looker) voteLow() {
	if l.Pad == nil || len(l.Pad.Height.Sources) < 2 {
		return
	}
	h := &l.Pad.Height
	show := func(v float64) string { return rules.Format(v, rules.DefaultUnit(rules.Length, l.Pad.Units)) }
	takes, off := fmt.Sprintf("takes the lower of two heights up to %s apart", show(h.Disagreement)), h.Disagreement
	switch even := len(h.Sources)%2 == 0; {
	case h.Vote == derived.Median && even:
		takes, off = fmt.Sprintf("takes the mean of two heights up to %s apart", show(h.Disagreement)), h.Disagreement/2
	case h.Vote == derived.Lowest && len(h.Sources) > 2:
		takes = fmt.Sprintf("takes the lowest of %d heights up to %s apart", len(h.Sources), show(h.Disagreement))
	case h.Vote != derived.Lowest:
		return
	}
	limited := false
	l.eachRule(func(r *rules.Rule) {
		limited = limited || (r.Watch == rules.Apex || r.Watch == rules.Height) && r.Form == rules.Above && r.Stop != rules.NoStop
	})
	if limited && off > h.ErrorHeight {
		l.tell(l.PadFile.Fault(0, takes+", and the craft may be so much higher than a limit above sees: "+show(off)+", where error_height counts "+show(h.ErrorHeight), `write rule = "highest", or that much as error_height`, "height.rule"),
			l.On("pad height.disagreement", "pad height.error_height"))
	}
}

// mostMast is how high an anchor and a craft stand over the ground at most, m; ours.
const mostMast = 3

// mast looks at the wind's heights.
func (l *looker) mast() {
	if l.Pad == nil {
		return
	}
	show := func(v float64) string { return rules.Format(v, rules.DefaultUnit(rules.Length, l.Pad.Units)) }
	if w := &l.Pad.Wind; w.RotorHeight > 0 && w.RotorHeight < w.Height {
		l.tell(l.PadFile.Fault(0, "is lower than the cups stand, at "+show(w.Height)+", so that wind at the rotors would read less than measured", "look whether the two stand the right way round", "wind.rotor_height"), l.On("pad wind.height"))
	}
	if e := l.Envelope; e != nil && e.Tether.Length > 0 && l.Pad.Wind.RotorHeight > e.Tether.Length+max(0, l.Pad.Anchor.Height)+mostMast {
		l.pad("is higher than the tether of "+show(e.Tether.Length)+" lets the rotors", "write how high the rotors fly above ground", "wind.rotor_height")
	}
}

// away refuses an anchor that the tether does not reach from where the craft stands.
func (l *looker) away() {
	if l.Pad == nil || l.Envelope == nil {
		return
	}
	show := func(v float64) string { return rules.Format(v, rules.DefaultUnit(rules.Length, l.Pad.Units)) }
	t, far := l.Envelope.Tether.Length, math.Hypot(l.Pad.Anchor.North, l.Pad.Anchor.East)
	if t > 0 && far > t {
		key := "anchor.north"
		if math.Abs(l.Pad.Anchor.East) > math.Abs(l.Pad.Anchor.North) {
			key = "anchor.east"
		}
		l.pad("the anchor is "+show(far)+" from where the craft stands, and the tether is "+show(t)+" long", "write it from the craft's own origin, where it stands as it starts", key)
	}
}

// speeds are those that serial lines of such craft are set to; from memory.
var speeds = []int{9600, 19200, 38400, 57600, 76800, 100000, 111100, 115200, 230400, 250000, 256000, 460800, 500000, 625000, 921600, 1000000, 1500000, 2000000, 3000000}

// examples is a range that RFC 5737 keeps for documentation: files to copy have it.
var examples = netip.MustParsePrefix("192.0.2.0/24")

// autopilot is MAV_COMP_ID_AUTOPILOT1 of the standard's common messages.
const autopilot = 1

// lowPort is the first port that needs no rights of the system's own, and that no other
// service owns by custom.
const lowPort = 1024

func (l *looker) link() {
	if l.Pad == nil {
		return
	}
	l.eachLink(func(k *pad.Link, tell func(wrong, mend, key string)) {
		if k.Kind == pad.Serial && !slices.Contains(speeds, k.Baud) {
			tell("no craft's port is usually set to it", "write the speed that the craft's port is set to, such as 57600", "baud")
		}
		if k.Kind == pad.Serial && !strings.HasPrefix(filepath.Clean(k.Device), "/dev/") {
			tell("is no device", "write its path under /dev/serial/by-id, which stays the same when it is plugged in again", "device")
		}
		if at, err := netip.ParseAddrPort(k.Address); err == nil && k.Kind == pad.UDP && at.Port() > 0 && at.Port() < lowPort {
			tell("the port belongs to another service, and the guard may not open it", "write one of 1024 or more, to which the craft sends", "address")
		}
		if at, err := netip.ParseAddrPort(k.Address); err == nil && k.Kind == pad.UDP && !at.Addr().IsPrivate() && !at.Addr().IsLoopback() && !at.Addr().IsUnspecified() && !at.Addr().IsLinkLocalUnicast() && !examples.Contains(at.Addr()) {
			tell("a computer at a pad has no such address of its own", `write this computer's own address, or "0.0.0.0" with the port for each of them`, "address")
		}
	})
	if l.Pad.Craft.System == 255 {
		l.pad("is the number of a ground station by the standard's habit, and no craft's", "downhaul listen shows the craft's", "craft.system")
	}
	if l.Pad.Craft.Component != autopilot {
		l.pad("is not the autopilot's: by the standard that is 1, and others are cameras, radios and ground stations", "downhaul listen shows the craft's", "craft.component")
	}
	if d := l.Pad.Craft; d.OutputFull-d.OutputIdle < 200*time.Microsecond {
		l.tell(l.PadFile.Fault(0, fmt.Sprintf("only %s lie between no and full output", rules.FormatDuration(d.OutputFull-d.OutputIdle)), "write the pulses of the motor controllers, some 1000 us and 2000 us", "craft.output_full", "craft.output_idle"), l.On("pad craft.output_idle"))
	}
}
