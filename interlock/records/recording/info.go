package recording

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Skipped counts packets that carry no datagram that is taken.
type Skipped struct {
	TCP       uint64
	Fragments uint64 // parts of datagrams that were split on their way, and that did not all come
	OtherIP   uint64 // neither UDP nor TCP
	Other     uint64 // no IP, or of a link type that is not known here
	Short     uint64 // headers that contradict themselves
	OtherPort uint64 // left out by OnlyPort
}

// Info is what is known of a recording so far: it is complete once Next has
// returned an error.
type Info struct {
	Form Form
	// Own reports whether the guard wrote it; Session, Software and Part are set then.
	Own               bool
	Session, Software string
	Part              int
	// Start is the wall clock at engine time 0; zero for raw bytes, which do
	// not tell it.
	Start time.Time
	// Span is the engine time of the last chunk, or of a packet behind it that held
	// nothing for the guard: until then the capture ran.
	Span    time.Duration
	Ports   []uint16 // to which a datagram went, ascending; at most 4096
	Packets uint64
	Chunks  uint64
	Skipped Skipped
	Joined  uint64 // datagrams that were split on their way, put together again
	Cut     uint64 // datagrams of which the capture kept only the beginning
	Doubled uint64 // datagrams of flows that are another one recorded once more
	Twice   uint64 // packets that stand in the capture a second time
	Undated uint64 // packets without a time; they take that of the one before
	// Backwards counts times that ran back; they take the time before.
	Backwards uint64
	// Set counts how often the clock of a capture was set; Jumps are the first
	// few places, of a craft's boot clock in raw bytes.
	Set   uint64
	Jumps []Jump

	// Of our own recordings: chunks lost in front of the engine, and gaps in
	// the numbering. Behind a gap no equal replay is claimed.
	Lost       uint64
	Gaps       uint64        // how many
	Missing    uint64        // chunks missing in them
	FirstGapAt time.Duration // engine time behind the first one

	// Places of a capture that were passed over (see PastDamage): how many, their
	// bytes, and the first few.
	Damages      uint64
	DamagedBytes uint64
	Damaged      []Damage

	// Unpacked states that the file was compressed, and whether it broke off.
	Unpacked []string

	// FlowNotes state which flows are one link recorded twice.
	FlowNotes []string

	// Of raw bytes.
	Frames   uint64 // frames with a right checksum
	BadBytes uint64 // bytes in no such frame
	Timed    bool   // some sender's messages tell the time; else all is at 0
	Restarts uint64 // the boot clock began anew
	Leaps    uint64 // the boot clock jumped ahead by more than a minute
}

// Info is what is known so far.
func (r *Reader) Info() Info {
	info := r.info
	info.Ports, info.Damaged = slices.Clone(r.info.Ports), slices.Clone(r.info.Damaged)
	if raw := r.raw; raw != nil {
		info.Jumps = slices.Clone(raw.clock.jumps)
		info.Frames, info.BadBytes, info.Timed = raw.count, raw.scan.Counts.BadBytes, raw.timed
		info.Span = raw.at
		info.Backwards, info.Restarts, info.Leaps = raw.clock.backward, raw.clock.restarts, raw.clock.leaps
	} else {
		info.Span = max(info.Span, r.clock.now)
		info.Backwards, info.Set, info.Jumps = r.clock.backward, r.clock.set, slices.Clone(r.clock.jumps)
	}
	info.Twice, info.FlowNotes, info.Unpacked = r.once.passed, r.flowNotes, r.zip.notes()
	info.Joined, info.Skipped.Fragments = r.split.joined, r.split.parts()
	return info
}

// Breaks counts the places so far behind which it is not known for how long
// nothing was read: damage that was passed over, chunks that were lost or are
// missing, a clock that was set or began anew.
func (r *Reader) Breaks() uint64 {
	n := r.info.Damages + r.info.Gaps + r.info.Lost + r.clock.set
	if r.raw != nil {
		n += r.raw.clock.restarts + r.raw.clock.leaps
	}
	return n
}

// port notes a port to which a datagram went.
func (i *Info) port(port uint16) {
	if at, known := slices.BinarySearch(i.Ports, port); !known && len(i.Ports) < 4096 {
		i.Ports = slices.Insert(i.Ports, at, port)
	}
}

func (i *Info) gap(before, after uint64, at time.Duration) {
	if i.Gaps == 0 {
		i.FirstGapAt = at
	}
	i.Gaps++
	if after > before+1 {
		i.Missing += after - before - 1
	}
}

// Notes returns in plain words what a reader of the results should know; empty
// when there is nothing.
func (i Info) Notes() []string {
	notes := slices.Clone(i.Unpacked)
	say := func(n uint64, format string, args ...any) {
		if n > 0 {
			notes = append(notes, fmt.Sprintf(format, append([]any{n}, args...)...))
		}
	}
	if i.Gaps > 0 {
		notes = append(notes, fmt.Sprintf("%d gap(s) in the numbering, %d chunk(s) missing, the first at %.3f s: from there on an equal replay is not claimed", i.Gaps, i.Missing, i.FirstGapAt.Seconds()))
	}
	if i.Damages > 0 {
		notes = append(notes, fmt.Sprintf("%d damaged place(s) passed over, %d byte(s) left out: from %.3f s on an equal replay is not claimed, and nothing is known of what stood there", i.Damages, i.DamagedBytes, i.Damaged[0].After.Seconds()))
		for _, d := range i.Damaged[:min(len(i.Damaged), 4)] {
			notes = append(notes, fmt.Sprintf("damage at byte %d, %d byte(s), behind %.3f s: %s", d.Offset, d.Bytes, d.After.Seconds(), d.Text))
		}
	}
	say(i.Lost, "%d chunk(s) were lost before the engine saw them")
	say(i.Skipped.TCP, "%d TCP packet(s) left out: TCP is not put together here")
	say(i.Joined, "%d datagram(s) that were split on their way were put together")
	say(i.Skipped.Fragments, "%d fragment(s) of split datagrams left out: the others did not come")
	say(i.Skipped.Short, "%d packet(s) with headers that contradict themselves left out")
	say(i.Skipped.OtherIP+i.Skipped.Other, "%d packet(s) of other kinds left out")
	say(i.Skipped.OtherPort, "%d datagram(s) to other ports left out")
	notes = append(notes, i.FlowNotes...)
	say(i.Twice, "%d packet(s) stand in the capture a second time, as where it was merged with itself; they are read once")
	say(i.Cut, "%d datagram(s) of which the capture kept only the beginning")
	say(i.Undated, "%d packet(s) carry no time; they take that of the packet before")
	if i.Form == Raw {
		say(i.Backwards, "%d message(s) older than one before them; they take its time")
	} else {
		say(i.Backwards, "%d time(s) ran back, or stood far from their neighbours'; they take the time before")
	}
	notes = append(notes, i.jumpNotes()...)
	switch {
	case i.Form == Raw && !i.Timed:
		notes = append(notes, "no message tells the time: everything is at 0 s")
	case i.Form == Raw:
		notes = append(notes, "raw bytes tell no time of receipt: times are the craft's own clock, and between its timed messages estimates by the frames' numbers; how old the link was is not judged")
	}
	return notes
}

// nothing returns why a capture holds no chunk at all.
func (r *Reader) nothing() error {
	s := r.Info().Skipped
	var found []string
	for _, f := range []struct {
		n    uint64
		what string
	}{
		{s.TCP, "TCP"}, {s.Fragments, "parts of split datagrams"}, {s.OtherIP, "other IP"},
		{s.Other, "not IP"}, {s.Short, "damaged headers"}, {s.OtherPort, "UDP to other ports"},
	} {
		if f.n > 0 {
			found = append(found, fmt.Sprintf("%d %s", f.n, f.what))
		}
	}
	switch {
	case r.info.Packets == 0:
		return fmt.Errorf("a %s capture without a single packet; capture again while the link is up", r.info.Form)
	case s.OtherPort > 0:
		var ports []string
		for _, p := range r.Info().Ports[:min(len(r.info.Ports), 12)] {
			ports = append(ports, fmt.Sprint(p))
		}
		return fmt.Errorf("no UDP datagram to port %d in %d packets; there are some to %s", r.port, r.info.Packets, strings.Join(ports, ", "))
	case s.TCP > 0:
		return fmt.Errorf("a capture of TCP: %d packets (%s) and no UDP datagram; lost and repeated segments make bytes and times of a TCP capture uncertain, so it is not read: capture a UDP link, or keep the stream's raw bytes", r.info.Packets, strings.Join(found, ", "))
	}
	return fmt.Errorf("no UDP datagram in %d packets (%s); capture the UDP telemetry link", r.info.Packets, strings.Join(found, ", "))
}
