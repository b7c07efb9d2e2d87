package pad

import (
	"crypto/sha256"
	"net/netip"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/rules"
	"downhaul/rules/document"
)

// Pad is a pad file as read. Values are SI.
type Pad struct {
	Version int
	Title   string
	Duty    interlock.Duty
	// Units is "metric" or "imperial".
	Units string
	// LogFolder is where session folders are made, Socket the path of the
	// guard's local socket.
	LogFolder, Socket string
	// SocketGroup is the group of the system whose members may use the socket
	// beside root and the guard's own user; empty for the user's own group.
	SocketGroup string

	Craft  Craft
	Reach  Reach
	Stop   Stop
	Height Height
	Anchor Anchor
	Links  []Link
	// ComesEvery is how far apart signs were stated to come on the links; Slow is how old
	// these, and what they rest on, may be for it, where that is longer than usual.
	ComesEvery, Slow map[rules.ChannelID]time.Duration
	Packs            Packs
	// Full is what was measured of the craft at full output; zero where nothing was.
	Full     derived.FullOutput
	Wind     Wind
	LoadCell LoadCell
	Named    []Named
	Board    Board

	Contactor Contactor
	// LongestGap is the longest spacing of heartbeat edges that the external
	// watchdog bears, and so the longest that the guard's loop may be held up.
	LongestGap time.Duration
	// PinStale is how long the input lines may go unread.
	PinStale time.Duration
	// Discrepancy is how long the two emergency-stop contacts may differ.
	Discrepancy time.Duration
	// EndGrace is the grace of the controlled stop that the end button begins.
	EndGrace time.Duration

	Commission Commission
	Proof      Proof
	Upkeep     Upkeep
	// KeepAge and KeepBytes bound what stays in the log folder; 0 is any. No
	// trip goes that nobody has reported on.
	KeepAge   time.Duration
	KeepBytes int64
	// SigningKey is the path of the file with the key that the craft signs its
	// frames with; empty hears it unsigned.
	SigningKey string
	// Absent is what this pad lacks, with the reasons.
	Absent []Absence

	// Hash is the SHA-256 of the file's bytes.
	Hash [32]byte
}

// Craft is the one craft that is heard.
type Craft struct {
	System, Component uint8
	// Radius is from the middle to the outermost rotor tip, m; 0 is not stated.
	Radius float64
	// Motors is the count of motors; 0 is not stated.
	Motors int
	// OutputIdle and OutputFull are the pulse lengths of SERVO_OUTPUT_RAW that
	// count as 0 and 1.
	OutputIdle, OutputFull time.Duration
}

// Reach is how the relay's contact reaches the rotors.
type Reach struct {
	// How is "wired pair", "enable line" or "radio link"; empty when the pad
	// only watches.
	How, Note string
	// Delay is how long the rotors may stay enabled once the contactor is open:
	// a link's hold time and the controllers' own. DelayStated reports whether the
	// file states it; else it is assumed by How.
	Delay       time.Duration
	DelayStated bool
}

// Stop is what people tell of the time from relay open to rotors standing. Only
// a rehearsal takes it for proven: elsewhere the stop test under the guard proves
// it.
type Stop struct {
	// Proven reports whether the file tells a time measured by hand.
	Proven           bool
	Time             time.Duration
	Method, Date, By string
	// Stated is what is assumed before any measurement; 0 is not stated.
	Stated time.Duration
}

// Height is where craft.height comes from and what the predicted apex needs.
type Height struct {
	// Sources is empty when the pad names none.
	Sources []rules.ChannelID
	// Climb is the channel of climb; NoChannel takes the partner of the first
	// source. Some craft tell a climb beside the height that is off by metres
	// a second; VFR_HUD's may be the better one.
	Climb        rules.ChannelID
	Vote         derived.Vote
	Disagreement float64 // m
	// ErrorHeight (m) and ErrorClimb (m/s) are bias and resolution.
	ErrorHeight, ErrorClimb float64
	// Reaction is from a sample's arrival to no thrust.
	Reaction time.Duration
	// MaxAcceleration is full thrust over mass, m/s²; 0 is not stated, and no
	// apex is predicted then.
	MaxAcceleration float64
}

// Anchor is where the tether is anchored, in m from the craft's local origin;
// Height is on the scale of craft.height.
type Anchor struct{ North, East, Height float64 }

// LinkKind is the kind of a telemetry link: "udp", "tcp" or "serial".
type LinkKind string

// The kinds of link.
const (
	UDP    LinkKind = "udp"    // listens on Address
	TCP    LinkKind = "tcp"    // connects to Address
	Serial LinkKind = "serial" // reads Device at Baud
)

// Link is one telemetry link.
type Link struct {
	Name    string
	Kind    LinkKind
	Address string
	// From is the only sender that is heard; zero is the first that names
	// itself as the craft. Port 0 is any port of that address. UDP only.
	From   netip.AddrPort
	Device string
	Baud   int
	// Delay is the constant part of how late the link is, which cannot be seen
	// from one end; 0 is not stated.
	Delay time.Duration
}

// Hears reports whether the craft may be at this address.
func (l *Link) Hears(from netip.AddrPort) bool {
	return !l.From.IsValid() || l.From.Addr().Unmap() == from.Addr().Unmap() && (l.From.Port() == 0 || l.From.Port() == from.Port())
}

// Packs is what the pad knows of the craft's packs.
type Packs struct {
	// Source is "battery_status", "sys_status", or empty when not stated.
	Source string
	// LoadFrom is "sys_status" where what is worked out of voltage and current rests
	// on SYS_STATUS although Source is BATTERY_STATUS.
	LoadFrom string
	// Count is how many packs report, 1 to 4.
	Count int
	// Cells is the count in series, 0 when not stated.
	Cells    int
	Capacity float64 // C; 0 is not stated
	Floor    float64 // V of the whole pack under load; 0 is not stated
	// IdleCurrent is what may still flow after the relay opened, A; 0 means
	// that the current is not used to verify the opening.
	IdleCurrent float64
}

// Wind is the pad's anemometer.
type Wind struct {
	Fitted bool
	// Slope is m of wind per pulse, Offset the speed at no pulses, m/s.
	Slope, Offset float64
	PulsesPerTurn int
	// MaxHz is the pulse frequency at the highest believable wind.
	MaxHz float64
	// Bounce is the time in which a second pulse is the contact's bounce.
	Bounce     time.Duration
	StillAfter time.Duration
	// StartsAt is the wind in which the cups start to turn, m/s; 0 is not stated.
	StartsAt float64
	OnFall   bool
	// Height and RotorHeight are above ground, m.
	Height, RotorHeight float64
	Method              derived.Method
	Roughness           float64 // m
	Exponent            float64
}

// LoadCell is the tether's load cell.
type LoadCell struct {
	// Fitted is a load cell of the pad's own; Winch reports whether the craft tells
	// the tension of its winch instead.
	Fitted, Winch   bool
	Zero            int32
	NewtonsPerCount float64
	// Low and High are the counts at the ends of the range; both 0 leaves the
	// converter's own ends.
	Low, High int32
	// Rate is conversions a second.
	Rate float64
	// Channel is the file of the converter's channel under /sys/bus/iio/devices;
	// where it is empty, Bus is the I²C bus of a NAU7802. Both are for a board
	// on pins.
	Channel string
	Bus     int
}

// Named turns a value that the craft sends by name (NAMED_VALUE_FLOAT) into a
// channel: SI = value·Factor + Offset.
type Named struct {
	Name           string
	Channel        rules.ChannelID
	Unit           string
	Factor, Offset float64
}

// Contactor is the last contactor of the chain.
type Contactor struct {
	// PickUp and DropOut bound how long the readback may take to follow.
	PickUp, DropOut time.Duration
	// Readback reports whether a mirror contact is wired.
	Readback bool
	// Name tells one contactor from the next: openings under load are counted for
	// it. LoadOpenings is how many its maker states; 0 is not stated.
	Name         string
	LoadOpenings int
}

// Absence is a device or a channel that this pad lacks.
type Absence struct {
	Name, Reason string
	Line         int
}

// Defaults; ours, from judgement, no source.
const (
	defaultFolder = "/var/lib/downhaul"
	defaultSocket = "/run/downhaul/guard.sock"
	// Gloved hands and a long wire.
	defaultDiscrepancy = 500 * time.Millisecond
	defaultEndGrace    = 30 * time.Second
	// Common contactors pick up and drop out well within these.
	defaultPickUp  = 400 * time.Millisecond
	defaultDropOut = 200 * time.Millisecond
	// The window of the watchdog that the wiring notes ask for, and twice the
	// spacing at which the guard reads its lines.
	defaultLongestGap = 50 * time.Millisecond
	defaultPinStale   = 20 * time.Millisecond
	// In duty watch a late loop is only late.
	watchingGap = time.Second
	// longestSocket is what a unix-domain address holds on every system (104
	// bytes with the closing NUL on some).
	longestSocket = 100
)

// reading is one pad file while it is read.
type reading struct {
	*Pad
	root *document.Table
}

// guards reports whether the duty asks for everything that may close a relay.
func (r *reading) guards() bool { return r.Duty == interlock.Guard }

// Read reads a pad file. Either the pad is complete and there is no fault, or
// it is nil and every fault is listed by line. The file's name is for the
// faults only.
func Read(file string, text []byte) (*Pad, document.Faults) {
	d := document.Parse(file, text)
	root := d.Root()
	r := &reading{root: root, Pad: &Pad{Version: rules.FileVersion, LogFolder: defaultFolder, Socket: defaultSocket, Hash: sha256.Sum256(text)}}
	rules.CheckVersion(root)
	r.Title, _ = root.Note("title")
	duty, _ := root.Choice("duty", "watch", "guard")
	root.Need("duty", "missing", `write duty = "watch" (never closes the relay) or "guard"`)
	if duty == "guard" {
		r.Duty = interlock.Guard
	}
	r.Units = rules.UnitsAt(root)
	if s, ok := root.Note("log_folder"); ok {
		r.LogFolder = s
	}
	if s, ok := socketAt(root, "socket"); ok {
		r.Socket = s
	}
	r.SocketGroup, _ = root.Name("socket_group")
	r.absent()
	r.craft()
	r.links()
	r.reach()
	r.height()
	r.packs()
	r.comes()
	r.full()
	r.board()
	r.wind()
	r.loadCell()
	r.named()
	r.latch()
	r.upkeep()
	if faults := d.Faults(); len(faults) > 0 {
		return nil, faults
	}
	return r.Pad, nil
}

func socketAt(t *document.Table, key string) (string, bool) {
	s, ok := t.Note(key)
	if ok && len(s) > longestSocket {
		t.Fault(key, "too long a path for a socket", document.Quote(s), "keep it to 100 bytes")
		return "", false
	}
	return s, ok
}

// latch reads the times of the chain.
func (r *reading) latch() {
	c := r.root.Table("contactor")
	r.Contactor.PickUp = timeOr(c, "pick_up", 5*time.Second, defaultPickUp)
	r.Contactor.DropOut = timeOr(c, "drop_out", 5*time.Second, defaultDropOut)
	r.Contactor.Name, _ = c.Name("name")
	r.Contactor.LoadOpenings, _ = c.Int("load_openings", 1, 10_000_000)
	wired := r.Board.Line("readback").Fitted
	r.Contactor.Readback = wired
	switch how, ok := c.Choice("readback", "mirror", "none"); {
	case !ok:
	case how == "mirror" && !wired:
		c.Fault("readback", "there is no readback line", document.Quote(how), `name its pin under [board.lines], or write readback = "none"`)
	case how == "none" && wired && r.Board.Kind == Virtual && !r.root.Table("board").Has("lines"):
		r.Contactor.Readback = false
		r.Board.unfit("readback")
	case how == "none" && wired:
		c.Fault("readback", "there is a readback line", document.Quote(how), `take the line out under [board.lines], or write readback = "mirror"`)
	}
	r.Discrepancy = timeOr(r.root.Table("estop"), "discrepancy", 5*time.Second, defaultDiscrepancy)
	gap := defaultLongestGap
	// A board in memory may be driven by a busy desk computer, whose hiccups
	// are no news; pins that reach a contactor may not.
	longest := 100 * time.Millisecond
	if r.Board.Kind == Virtual {
		longest = 2 * time.Second
	}
	if !r.guards() {
		gap = watchingGap // no heartbeat holds anything
	}
	r.LongestGap = timeOr(r.root.Table("watchdog"), "longest_gap", longest, gap)
	r.PinStale = timeOr(r.root.Table("board"), "stale_after", longest, defaultPinStale)
	r.EndGrace = timeOr(r.root.Table("end"), "grace", 10*time.Minute, defaultEndGrace)
}

// timeAt is a time over 0 and up to longest.
func timeAt(t *document.Table, key string, longest time.Duration) (time.Duration, bool) {
	d, ok := rules.DurationAt(t, key)
	if ok && (d == 0 || d > longest) {
		t.Fault(key, "must be more than 0 and at most "+rules.FormatDuration(longest), t.Got(key), "write a time in that range")
		return 0, false
	}
	return d, ok
}

// timeOr is timeAt, or what counts where there is none.
func timeOr(t *document.Table, key string, longest, or time.Duration) time.Duration {
	if d, ok := timeAt(t, key, longest); ok {
		return d
	}
	return or
}
