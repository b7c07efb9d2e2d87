package intake

import (
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// lossSpan is how many whole seconds the share of lost frames looks back. The
// second at hand, just begun, counts too.
const lossSpan = 10

// lossReorder is the gap from which a frame is taken for one that was
// overtaken, not for the end of a long loss, unless the link was silent for
// longer than lossSilent.
const (
	lossReorder = 128
	lossSilent  = time.Second
)

// loss counts the gaps in the craft's sequence numbers: the MAVLink guide's
// measure of a link ("Packet Loss"). The number has eight bits: after a
// silence in which more than 255 frames were lost it tells too few.
type loss struct {
	started bool
	seq     uint8
	at      time.Duration // of the last frame
	second  int64         // the second that is counted now
	heard   [lossSpan + 1]uint32
	lost    [lossSpan + 1]uint32
}

// take counts one frame; restarted: its number is not comparable with the previous
// one. ok is true once a second: the share lost of the last ten seconds, or of the
// time since the craft was first heard.
func (l *loss) take(at time.Duration, seq uint8, restarted bool) (s interlock.Sample, ok bool) {
	second := int64(at / time.Second)
	if !l.started {
		l.started, l.seq, l.at, l.second = true, seq, at, second
		l.heard[0] = 1
		return interlock.Sample{}, false
	}
	turned := second > l.second
	for range min(second-l.second, lossSpan+1) { // by then all of it is old
		copy(l.heard[1:], l.heard[:lossSpan])
		copy(l.lost[1:], l.lost[:lossSpan])
		l.heard[0], l.lost[0] = 0, 0
	}
	l.second = max(l.second, second)
	l.heard[0]++
	gap := seq - l.seq - 1 // of 256
	switch {
	case restarted:
		l.seq = seq
	case gap >= lossReorder && at-l.at <= lossSilent:
		l.found()
	default:
		l.lost[0] += uint32(gap)
		l.seq = seq
	}
	l.at = at
	if !turned {
		return interlock.Sample{}, false
	}
	var heard, lost uint64
	for i := range l.heard {
		heard += uint64(l.heard[i])
		lost += uint64(l.lost[i])
	}
	return measured(rules.LinkLoss, float64(lost)/float64(heard+lost)), true
}

// overtaken counts a frame that came after younger ones.
func (l *loss) overtaken() {
	l.heard[0]++
	l.found()
}

// found takes back one loss: a frame that was overtaken had been counted lost.
func (l *loss) found() {
	if l.lost[0] > 0 {
		l.lost[0]--
	} else if l.lost[1] > 0 {
		l.lost[1]--
	}
}
