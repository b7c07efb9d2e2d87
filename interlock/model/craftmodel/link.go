package craftmodel

import (
	"bytes"
	"math"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
)

// Datagram is one MAVLink frame as it leaves the craft.
type Datagram struct {
	At    time.Duration // model's clock
	Bytes []byte
}

// spoken holds the messages the craft sends, in order of their id.
var spoken = []message.Message{
	&common.MessageHeartbeat{}, &common.MessageSysStatus{}, &common.MessageSystemTime{},
	&common.MessageAttitude{}, &common.MessageLocalPositionNed{}, &common.MessageGlobalPositionInt{},
	&common.MessageServoOutputRaw{}, &common.MessageVfrHud{}, &common.MessageBatteryStatus{},
	&common.MessageEstimatorStatus{}, &common.MessageVibration{}, &common.MessageHomePosition{},
	&common.MessageExtendedSysState{}, &common.MessageStatustext{}, &common.MessageEscInfo{},
	&common.MessageEscStatus{},
}

// sender is one message with its beat.
type sender struct {
	period, phase time.Duration
	send          func(c *Craft)
	due           time.Duration
}

// link turns messages into frames and keeps the beat of each.
type link struct {
	table   *dialect.ReadWriter
	buf     bytes.Buffer
	writer  *frame.Writer
	senders []sender
	stamp   uint64 // last signature time
	boot    time.Duration
}

const ms = time.Millisecond

// usual is how often each message goes out and where in its period, so that
// the messages come spread and not in one burst.
var usual = [...]struct {
	id            uint32
	period, phase time.Duration
	send          func(c *Craft)
}{
	{0, 1000 * ms, 10 * ms, (*Craft).sendHeartbeat},
	{1, 500 * ms, 35 * ms, (*Craft).sendSysStatus},
	{2, 1000 * ms, 860 * ms, (*Craft).sendSystemTime},
	{30, 50 * ms, 5 * ms, (*Craft).sendAttitude},
	{32, 100 * ms, 70 * ms, (*Craft).sendLocalPosition},
	{33, 100 * ms, 20 * ms, (*Craft).sendGlobalPosition},
	{36, 100 * ms, 45 * ms, (*Craft).sendOutputs},
	{74, 250 * ms, 130 * ms, (*Craft).sendHUD},
	{147, 500 * ms, 285 * ms, (*Craft).sendBatteries},
	{230, 1000 * ms, 760 * ms, (*Craft).sendEstimator},
	{241, 500 * ms, 410 * ms, (*Craft).sendVibration},
	{242, 5000 * ms, 930 * ms, (*Craft).sendHome},
	{245, 500 * ms, 160 * ms, (*Craft).sendLanded},
	{290, 1000 * ms, 610 * ms, (*Craft).sendESCInfo},
	{291, 100 * ms, 90 * ms, (*Craft).sendESCStatus},
}

func (l *link) open(cfg *Config) error {
	l.table = &dialect.ReadWriter{Dialect: &dialect.Dialect{Version: 3, Messages: spoken}}
	if err := l.table.Initialize(); err != nil {
		return err
	}
	l.writer = &frame.Writer{ByteWriter: &l.buf}
	if err := l.writer.Initialize(); err != nil {
		return err
	}
	for _, u := range usual {
		period, phase := u.period, u.phase
		if p, ok := cfg.Periods[u.id]; ok {
			if p < tickTime {
				continue
			}
			period, phase = p, phase%p
		}
		l.senders = append(l.senders, sender{period: period, phase: phase, send: u.send, due: phase})
	}
	return nil
}

// report sends what is due.
func (c *Craft) report() {
	if c.booting() {
		return
	}
	l := &c.link
	if c.hello > l.boot {
		// Back from a restart: the beat starts anew.
		l.boot = c.hello
		for i := range l.senders {
			l.senders[i].due = l.boot + l.senders[i].phase
		}
		c.say(sevInfo, "started")
	}
	for i := range l.senders {
		s := &l.senders[i]
		if c.now < s.due {
			continue
		}
		s.due += s.period
		s.send(c)
	}
}

// sinceBoot is the time on the craft's own clock, which starts at zero with
// each restart.
func (c *Craft) sinceBoot() time.Duration { return c.now - c.bootedAt }

// emit makes a frame of m. A frame that the link loses still takes its
// sequence number.
func (c *Craft) emit(m message.Message) {
	l := &c.link
	if c.cfg.Version1 && m.GetID() > 255 {
		return // a version 1 frame has one byte for the id
	}
	seq := c.seq
	c.seq++
	lost := c.now < c.silentUntil
	if c.drop > 0 && c.air.Float64() < c.drop {
		lost = true
	}
	if lost {
		return
	}
	table := l.table.GetMessage(m.GetID())
	raw := table.Write(m, !c.cfg.Version1)
	l.buf.Reset()
	var err error
	if c.cfg.Version1 {
		f := &frame.V1Frame{SequenceNumber: seq, SystemID: c.cfg.System, ComponentID: c.cfg.Component, Message: raw}
		f.Checksum = f.GenerateChecksum(table.CRCExtra())
		err = l.writer.Write(f)
	} else {
		f := &frame.V2Frame{SequenceNumber: seq, SystemID: c.cfg.System, ComponentID: c.cfg.Component, Message: raw}
		if c.cfg.Key != nil {
			f.IncompatibilityFlag = frame.V2FlagSigned
		}
		f.Checksum = f.GenerateChecksum(table.CRCExtra())
		if c.cfg.Key != nil {
			c.sign(f)
		}
		err = l.writer.Write(f)
	}
	if err != nil {
		// Writing to memory fails only for a payload that is too long, which
		// none of the messages above can be.
		panic("craft model: " + err.Error())
	}
	d := Datagram{At: c.now + c.lag, Bytes: bytes.Clone(l.buf.Bytes())}
	if n := len(c.out); n > 0 && c.out[n-1].At > d.At {
		d.At = c.out[n-1].At // a link does not overtake itself
	}
	if len(c.out) >= keepMost {
		c.out = append(c.out[:0], c.out[keepMost/2:]...)
	}
	c.out = append(c.out, d)
}

// signatureEpoch is 2015-01-01 UTC (MAVLink message signing).
const signatureEpoch = 1420070400

// sign puts the signature on: time in 10 µs from the craft's own clock, each
// one later than the one before.
func (c *Craft) sign(f *frame.V2Frame) {
	l := &c.link
	t := max(uint64(c.unixMicros()-signatureEpoch*1e6)/10, l.stamp+1)
	l.stamp = t
	key := frame.V2Key(*c.cfg.Key)
	f.SignatureTimestamp = t
	f.Signature = f.GenerateSignature(&key)
}

func (c *Craft) unixMicros() int64 { return c.cfg.Start.Add(c.now).UnixMicro() }

// Frames adds the datagrams that have left by now since the last call, in
// order of time. When nobody asks for long, the oldest are dropped.
func (c *Craft) Frames(dst []Datagram) []Datagram {
	n := 0
	for n < len(c.out) && c.out[n].At <= c.now {
		n++
	}
	dst = append(dst, c.out[:n]...)
	c.out = append(c.out[:0], c.out[n:]...)
	return dst
}

// say sends a line of text with an RFC 5424 severity.
func (c *Craft) say(severity uint8, text string) {
	if c.booting() {
		return
	}
	c.emit(&common.MessageStatustext{Severity: common.MAV_SEVERITY(severity), Text: text})
}

// near is a value with normal noise, as the craft's sensors would give it.
func (c *Craft) near(v, sigma float64) float64 { return v + sigma*c.air.NormFloat64() }

// short rounds into an int16. What does not fit rolls over, as the standard
// warns of BATTERY_STATUS currents above 327.67 A.
func short(v float64) int16 { return int16(int64(math.Round(v))) }
