package pad

import (
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/rules"
	"downhaul/rules/document"
)

// standardGravity is 9.80665 m/s² (3rd General Conference on Weights and
// Measures, 1901).
const standardGravity = 9.80665

// Pulse lengths that count as 0 and 1 where the file says nothing: common
// practice of motor controllers, no source.
const (
	defaultIdle = 1000 * time.Microsecond
	defaultFull = 2000 * time.Microsecond
	longestPuls = 20 * time.Millisecond
)

func (r *reading) craft() {
	t := r.root.Table("craft")
	for _, id := range []struct {
		key string
		to  *uint8
	}{{"system", &r.Craft.System}, {"component", &r.Craft.Component}} {
		n, _ := t.Int(id.key, 1, 255)
		*id.to = uint8(n)
		t.Need(id.key, "missing", "write the craft's MAVLink number, 1 to 255; listening on the link shows it")
	}
	r.Craft.Radius, _ = rules.PositiveAt(t, "radius", rules.Length)
	r.Craft.Motors, _ = t.Int("motors", 1, derived.MaxMotors)
	r.Craft.OutputIdle = timeOr(t, "output_idle", longestPuls, defaultIdle)
	r.Craft.OutputFull = timeOr(t, "output_full", longestPuls, defaultFull)
	if r.Craft.OutputFull <= r.Craft.OutputIdle {
		key := "output_full"
		if !t.Has(key) {
			key = "output_idle"
		}
		t.Fault(key, "the full output must be a longer pulse than the idle one", t.Got(key),
			fmt.Sprintf("now: idle %s, full %s", rules.FormatDuration(r.Craft.OutputIdle), rules.FormatDuration(r.Craft.OutputFull)))
	}
}

func (r *reading) reach() {
	t := r.root.Table("reach")
	how, _ := t.Choice("how", "wired pair", "enable line", "radio link")
	if r.guards() {
		t.Need("how", "missing: duty guard must say how the relay reaches the rotors", `write how = "wired pair", "enable line" or "radio link" under [reach]`)
	}
	r.Reach.How = how
	r.Reach.Note, _ = t.Note("note")
	r.Reach.Delay = delays[how]
	if d, ok := timeAt(t, "delay", 10*time.Second); ok {
		r.Reach.Delay, r.Reach.DelayStated = d, true
	}

	s := r.root.Table("stop")
	r.Stop.Time, r.Stop.Proven = timeAt(s, "measured", time.Minute)
	if d, ok := timeAt(s, "stated", time.Minute); ok {
		r.Stop.Stated = d
		s.FaultIf(d < rules.LeastStated, "stated", "is less than counts without a measurement", "write "+rules.FormatDuration(rules.LeastStated)+" or more, or take it out")
	}
	r.Stop.Method, _ = s.Note("method")
	r.Stop.By, _ = s.Name("by")
	if date, ok := s.String("date"); ok {
		if _, err := time.Parse(time.DateOnly, date); err != nil {
			s.Fault("date", "is no date", document.Quote(date), `write it as "2026-05-31"`)
		} else {
			r.Stop.Date = date
		}
	}
	if !s.Present() || s.Has("stated") && !s.Has("measured") && !s.Has("method") && !s.Has("date") && !s.Has("by") {
		return
	}
	for _, key := range []string{"measured", "method", "date", "by"} {
		s.Need(key, "missing: a stop time counts only with how, when and by whom it was measured", `write it, or only stated = "3 s" until it was measured`)
	}
}

var heightSources = []struct {
	word    string
	channel rules.ChannelID
}{
	{"global", rules.HeightGlobal}, {"local", rules.HeightLocal}, {"altitude", rules.HeightAltitude},
	{"range", rules.HeightRange}, {"clearance", rules.HeightClearance},
}

func heightSource(word string) (rules.ChannelID, bool) {
	for _, s := range heightSources {
		if s.word == word {
			return s.channel, true
		}
	}
	return rules.NoChannel, false
}

func heightWords() []string {
	words := make([]string, len(heightSources))
	for i, s := range heightSources {
		words[i] = s.word
	}
	return words
}

func (r *reading) height() {
	t := r.root.Table("height")
	r.anchor()
	if source, ok := t.Choice("source", heightWords()...); ok {
		id, _ := heightSource(source)
		r.Height.Sources = []rules.ChannelID{id}
	}
	r.vote(t)
	if climb, ok := t.Choice("climb", "global", "local", "hud"); ok {
		r.Height.Climb = map[string]rules.ChannelID{"global": rules.ClimbGlobal, "local": rules.ClimbLocal, "hud": rules.ClimbHUD}[climb]
	}
	if t.Present() && !t.Has("source") && !t.Has("vote") {
		t.Missing("source", "missing", "write one of "+document.List(heightWords(), "or"))
	}
	r.thrust(t)
	r.Height.ErrorHeight, _ = rules.NotNegativeAt(t, "error_height", rules.Length)
	r.Height.ErrorClimb, _ = rules.NotNegativeAt(t, "error_climb", rules.Speed)
	r.Height.Reaction, _ = timeAt(t, "reaction", 10*time.Second)
	if r.Height.MaxAcceleration == 0 {
		return
	}
	const why = "missing: the predicted apex needs it"
	t.Need("error_height", why, `write how far the height may be off: error_height = "0.3 m"`)
	t.Need("error_climb", why, `write how far the climb may be off: error_climb = "0.2 m/s"`)
	t.Need("reaction", why, `write the time from a sample to no thrust: reaction = "300 ms"`)
}

// vote reads several sources of height with how they become one.
func (r *reading) vote(t *document.Table) {
	words, ok := t.Strings("vote")
	rule, _ := t.Choice("rule", "highest", "lowest", "median")
	apart, _ := rules.PositiveAt(t, "disagreement", rules.Length)
	if !t.Has("vote") {
		t.Forbid("only a vote has it", `take it out, or write vote = ["local", "range"]`, "rule", "disagreement")
		return
	}
	if t.Has("source") {
		t.Fault("vote", "one source and a vote", "", "keep one of the two: a source never switches in silence")
	}
	t.Need("rule", "missing: a vote must say which value wins", `write rule = "highest", "lowest" or "median"`)
	t.Need("disagreement", "missing: a vote must say how far apart its sources may be", `write disagreement = "1 m"`)
	if !ok {
		return
	}
	if len(words) < 2 {
		t.Fault("vote", "needs two sources or more", t.Got("vote"), "write source for a single one")
		return
	}
	var ids []rules.ChannelID
	for _, w := range words {
		id, known := heightSource(w)
		if !known {
			t.Fault("vote", "no such source of height", document.Quote(w), "write some of "+document.List(heightWords(), "and"))
			return
		}
		if slices.Contains(ids, id) {
			t.Fault("vote", "one source has two votes", document.Quote(w), "name each once")
			return
		}
		ids = append(ids, id)
	}
	r.Height.Sources, r.Height.Disagreement = ids, apart
	r.Height.Vote = map[string]derived.Vote{"highest": derived.Highest, "lowest": derived.Lowest, "median": derived.Median}[rule]
}

// thrust reads full thrust over mass, in either of its two forms.
func (r *reading) thrust(t *document.Table) {
	thrust, okThrust := rules.PositiveAt(t, "max_thrust", rules.Force)
	mass, okMass := rules.PositiveAt(t, "mass", rules.Mass)
	if t.Has("thrust_to_weight") {
		t.Forbid("stands beside thrust_to_weight", "keep thrust_to_weight, or max_thrust with mass", "max_thrust", "mass")
		n, ok := t.Number("thrust_to_weight")
		if ok && (n <= 0 || n > 20) {
			t.Fault("thrust_to_weight", "must be more than 0 and at most 20", t.Got("thrust_to_weight"), "write full thrust over weight, such as 2.1")
		} else if ok {
			r.Height.MaxAcceleration = n * standardGravity
		}
		return
	}
	switch {
	case okThrust && okMass:
		r.Height.MaxAcceleration = thrust / mass
		t.FaultIf(r.Height.MaxAcceleration > derived.MostAcceleration, "max_thrust", "is no thrust of a craft of that mass", "write the thrust of all motors together at full output, and the mass of the whole craft")
	case t.Has("max_thrust"):
		t.Need("mass", "missing beside max_thrust", "write the mass of the lightest craft that flies here")
	case t.Has("mass"):
		t.Need("max_thrust", "missing beside mass", "write the thrust of all motors together at full output")
	}
}

func (r *reading) anchor() {
	t := r.root.Table("anchor")
	at := func(key string) float64 {
		q, _ := rules.QuantityAt(t, key, rules.Length)
		return q.SI
	}
	r.Anchor = Anchor{North: at("north"), East: at("east"), Height: at("height")}
}

const (
	mostLinks   = 8
	slowestBaud = 1200
	fastestBaud = 12_000_000
)

func (r *reading) links() {
	rows := r.root.Rows("link")
	if len(rows) == 0 {
		r.root.Missing("link", "no [[link]]: the craft is not heard", `write [[link]] with kind = "udp" and address = "0.0.0.0:40123", or another kind`)
	}
	if len(rows) > mostLinks {
		rows[mostLinks].Fault("kind", fmt.Sprintf("more than %d links", mostLinks), strconv.Itoa(len(rows)), "take some out")
	}
	for i, t := range rows {
		r.Links = append(r.Links, readLink(t, i))
	}
	for i := range r.Links {
		for j := range i {
			if key := sameLink(&r.Links[i], &r.Links[j]); key != "" {
				rows[i].Fault(key, "another link has the same", rows[i].Got(key), fmt.Sprintf("mend one; the other is on line %d", rows[j].Line()))
			}
		}
	}
}

// sameLink is the key in which two links clash, empty when they do not.
func sameLink(a, b *Link) string {
	switch {
	case a.Name != "" && strings.EqualFold(a.Name, b.Name):
		return "name"
	case a.Kind == b.Kind && a.Address != "" && a.Address == b.Address:
		return "address"
	case a.Kind == b.Kind && a.Device != "" && a.Device == b.Device:
		return "device"
	}
	return ""
}

func readLink(t *document.Table, number int) Link {
	l := Link{Name: fmt.Sprintf("link %d", number+1)}
	if name, ok := t.Name("name"); ok {
		l.Name = name
	}
	kind, ok := t.Choice("kind", "udp", "tcp", "serial")
	t.Need("kind", "missing", `write kind = "udp", "tcp" or "serial"`)
	l.Kind = LinkKind(kind)
	l.Delay, _ = timeAt(t, "delay", 5*time.Second)
	address, okAddress := t.Note("address")
	from, okFrom := t.Note("from")
	device := wholePath(t, "device", "/dev/ttyUSB0")
	baud, _ := t.Int("baud", slowestBaud, fastestBaud)
	if !ok {
		return l
	}
	fits := map[LinkKind][]string{UDP: {"address", "from"}, TCP: {"address"}, Serial: {"device", "baud"}}[l.Kind]
	for _, key := range []string{"address", "from", "device", "baud"} {
		if !slices.Contains(fits, key) {
			t.Forbid("a "+kind+" link has none", "take it out; it takes "+document.List(fits, "and"), key)
		}
	}
	switch l.Kind {
	case UDP:
		l.Address = address
		t.Need("address", "missing", `write this computer's address and port: address = "0.0.0.0:40123"`)
		if _, err := netip.ParseAddrPort(address); okAddress && err != nil {
			t.Fault("address", "is no address in figures with a port", document.Quote(address), `write this computer's own, such as "0.0.0.0:40123" for every one of its addresses`)
		}
		if okFrom {
			l.From = readFrom(t, from)
		}
	case TCP:
		l.Address = address
		t.Need("address", "missing", `write the server's host and port: address = "192.0.2.1:40124"`)
		if okAddress && !hostPort(address) {
			t.Fault("address", "is no host with a port", document.Quote(address), `write it as "192.0.2.1:40124"`)
		}
	case Serial:
		l.Device, l.Baud = device, baud
		t.Need("device", "missing", "write the path under /dev/serial/by-id, which stays the same when it is plugged in again")
		t.Need("baud", "missing", "write the speed that the craft's port is set to, such as baud = 57600")
	}
	return l
}

func readFrom(t *document.Table, text string) netip.AddrPort {
	if a, err := netip.ParseAddrPort(text); err == nil && !a.Addr().IsUnspecified() {
		return netip.AddrPortFrom(a.Addr().Unmap(), a.Port())
	}
	if a, err := netip.ParseAddr(text); err == nil && !a.IsUnspecified() {
		return netip.AddrPortFrom(a.Unmap(), 0)
	}
	t.Fault("from", "is no address of a sender", document.Quote(text), `write it in figures, with or without a port: "192.0.2.1"`)
	return netip.AddrPort{}
}

func hostPort(text string) bool {
	host, port, err := net.SplitHostPort(text)
	if err != nil || host == "" {
		return false
	}
	n, err := strconv.Atoi(port)
	return err == nil && n > 0 && n < 65536
}

const mostPacks, mostCells = 4, 28

func (r *reading) packs() {
	t := r.root.Table("packs")
	p := &r.Packs
	p.Source, _ = t.Choice("source", "battery_status", "sys_status")
	if t.Present() {
		t.Need("source", "missing", `write source = "battery_status" (each pack and its cells) or "sys_status" (one voltage)`)
	}
	p.Count = 1
	if n, ok := t.Int("count", 1, mostPacks); ok {
		p.Count = n
		t.FaultIf(p.Source == "sys_status" && n > 1, "count", "sys_status tells one voltage, whichever pack it is", `write source = "battery_status"`)
	}
	if p.LoadFrom, _ = t.Choice("load_from", "battery_status", "sys_status"); p.LoadFrom == "sys_status" && p.Count > 1 {
		t.Fault("load_from", "sys_status tells one voltage, whichever pack it is", t.Got("load_from"), `leave it out, and have the craft send BATTERY_STATUS every 2 s or more often`)
	}
	p.Cells, _ = t.Int("cells", 1, mostCells)
	p.Capacity, _ = rules.PositiveAt(t, "capacity", rules.Charge)
	p.Floor, _ = rules.PositiveAt(t, "floor", rules.Voltage)
	p.IdleCurrent, _ = rules.PositiveAt(t, "idle_current", rules.Current)
	// A cell is dead below 2 V and never above 4.5 V: from memory.
	if p.Floor > 0 && p.Cells > 0 && (p.Floor < 2*float64(p.Cells) || p.Floor > 4.5*float64(p.Cells)) {
		t.Fault("floor", fmt.Sprintf("no voltage for a pack of %d cells", p.Cells), t.Got("floor"),
			fmt.Sprintf("write the whole pack's floor under load, %s to %s", rules.Format(2*float64(p.Cells), "V"), rules.Format(4.5*float64(p.Cells), "V")))
	}
}

// full reads what was measured of the craft at full output.
func (r *reading) full() {
	t := r.root.Table("full_output")
	f := &r.Full
	f.Pull, _ = rules.PositiveAt(t, "pull", rules.Force)
	f.Resting, _ = rules.PositiveAt(t, "resting", rules.Voltage)
	f.Volts, _ = rules.PositiveAt(t, "volts", rules.Voltage)
	f.Amps, _ = rules.PositiveAt(t, "current", rules.Current)
	if !t.Present() {
		return
	}
	for _, key := range []string{"pull", "resting", "volts", "current"} {
		t.Need(key, "missing", "write what was measured of this craft, tied down, at full output")
	}
	if f.Resting > 0 && f.Volts >= f.Resting {
		t.Fault("volts", "a pack has less under load than at rest", t.Got("volts"), "write the voltage at full output, and under resting the one before")
	}
}
