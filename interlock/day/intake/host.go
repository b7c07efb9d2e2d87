package intake

import (
	"encoding/binary"
	"unicode/utf8"

	"downhaul/interlock"
	"downhaul/rules"
)

// HostMessage is what a host chunk says.
type HostMessage struct {
	Host    interlock.Host
	On      bool
	Seq     uint32
	Channel rules.ChannelID // the channel of HostSensor, else rules.NoChannel
	Text    string          // the words of a mark or a declaration: UTF-8, for the record only. The engine never sees it.
}

// hostSize is the length in bytes of a host chunk without its text: event, on,
// seq (uint32), channel (uint16), little-endian.
const hostSize = 8

// EncodeHost adds the payload of a host chunk to dst. Bytes of Text that are
// not UTF-8 become U+FFFD.
func EncodeHost(dst []byte, m HostMessage) []byte {
	var on byte
	if m.On {
		on = 1
	}
	dst = append(dst, byte(m.Host), on)
	dst = binary.LittleEndian.AppendUint32(dst, m.Seq)
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Channel))
	for _, r := range m.Text {
		dst = utf8.AppendRune(dst, r)
	}
	return dst
}

// hostInput is the input a host chunk stands for; its text is not looked at.
func hostInput(b []byte) (interlock.Input, bool) {
	if len(b) < hostSize {
		return interlock.Input{}, false
	}
	host, ch := interlock.Host(b[0]), rules.ChannelID(binary.LittleEndian.Uint16(b[6:]))
	if !host.Known() || b[1] > 1 || ch >= rules.ChannelCount {
		return interlock.Input{}, false
	}
	return interlock.Input{
		Kind: interlock.HostInput, Host: host, On: b[1] == 1,
		Seq:    binary.LittleEndian.Uint32(b[2:]),
		Sample: interlock.Sample{Channel: ch},
	}, true
}

func (in *Intake) appendHost(dst []interlock.Input, b []byte) []interlock.Input {
	h, ok := hostInput(b)
	if !ok {
		in.n.BadRecords++
		return dst
	}
	in.broken = in.broken || h.Host == interlock.HostBroken // also where a replay's decoder is a mended one
	return append(dst, h)
}
