package interlock

import (
	"strconv"
	"unicode/utf8"

	"downhaul/rules"
)

// AppendDecision adds one effect as a JSON object: the one form in which a
// decision stands in the trip log and the recording, and which a replay
// compares byte for byte. Times are engine nanoseconds, values SI.
func AppendDecision(dst []byte, env *rules.Envelope, f Effect) []byte {
	dst = append(dst, `{"at_ns":`...)
	dst = strconv.AppendInt(dst, int64(f.At), 10)
	dst = append(dst, `,"kind":"`...)
	if f.Kind < effectKindCount {
		dst = append(dst, effectName[f.Kind]...)
	}
	dst = append(dst, '"')
	switch f.Kind {
	case RelayEffect, BeatEffect:
		return append(appendFlag(dst, "on", f.On), '}')
	case SoundEffect:
		return append(appendText(dst, "sound", f.Sound.String()), '}')
	case LampEffect:
		return append(appendText(dst, "state", f.State.String()), '}')
	case StateEffect:
		dst = appendText(dst, "from", f.From.String())
		dst = appendText(dst, "state", f.State.String())
	case TripEffect:
		dst = append(dst, `,"trip":`...)
		dst = strconv.AppendUint(dst, uint64(f.Trip), 10)
		dst = appendFlag(dst, "first_out", f.FirstOut)
		dst = appendText(dst, "stop", f.Stop.String())
		if f.Lasted > 0 {
			dst = append(dst, `,"lasted_ns":`...)
			dst = strconv.AppendInt(dst, int64(f.Lasted), 10)
		}
	case ConsequenceEffect:
		dst = append(dst, `,"trip":`...)
		dst = strconv.AppendUint(dst, uint64(f.Trip), 10)
		dst = appendText(dst, "stop", f.Stop.String())
	case CautionEffect:
		dst = appendFlag(dst, "on", f.On)
	case NoteEffect:
		dst = appendFlag(dst, "on", f.On)
		if f.Line < LineCount && (f.Line != 0 || f.Reason == ReasonEStop || f.Reason == ReasonPinsSilent) {
			dst = appendText(dst, "line", f.Line.String())
		}
		if f.Trip != 0 {
			dst = append(dst, `,"number":`...)
			dst = strconv.AppendUint(dst, uint64(f.Trip), 10)
		}
	}
	if f.Reason != NoReason {
		dst = appendText(dst, "reason", f.Reason.String())
	}
	if f.Rule >= 0 && f.Rule < len(env.Rules) {
		dst = appendText(dst, "rule", env.Rules[f.Rule].Name)
	}
	if f.Permissive >= 0 && f.Permissive < len(env.Permissives) {
		dst = appendText(dst, "permissive", env.Permissives[f.Permissive].Name)
	}
	if f.Channel != rules.NoChannel {
		dst = appendText(dst, "channel", f.Channel.String())
		if f.HasValue {
			dst = appendValue(dst, "value", f.Value)
		}
		if f.Rule >= 0 || f.Permissive >= 0 {
			dst = appendValue(dst, "limit", f.Limit)
			dst = appendText(dst, "unit", unitOf(env, f))
		}
	}
	if f.Cause != rules.NoCause {
		dst = appendText(dst, "cause", f.Cause.String())
	}
	return append(dst, '}')
}

// unitOf is the SI unit of an effect's value: the rate's for rate rules.
func unitOf(env *rules.Envelope, f Effect) string {
	kind := f.Channel.Channel().Kind
	if f.Rule >= 0 && f.Rule < len(env.Rules) {
		switch env.Rules[f.Rule].Form {
		case rules.RisingFaster, rules.FallingFaster:
			kind = kind.Rate()
		}
	}
	return rules.SIUnit(kind)
}

func appendKey(dst []byte, key string) []byte {
	dst = append(dst, ',', '"')
	dst = append(dst, key...)
	return append(dst, '"', ':')
}

func appendFlag(dst []byte, key string, on bool) []byte {
	return strconv.AppendBool(appendKey(dst, key), on)
}

func appendValue(dst []byte, key string, v float64) []byte {
	return strconv.AppendFloat(appendKey(dst, key), v, 'g', -1, 64)
}

func appendText(dst []byte, key, text string) []byte {
	dst = append(appendKey(dst, key), '"')
	for _, r := range text {
		switch {
		case r == '"' || r == '\\':
			dst = append(dst, '\\', byte(r))
		case r < 0x20:
			dst = append(dst, ' ')
		default:
			dst = utf8.AppendRune(dst, r)
		}
	}
	return append(dst, '"')
}

// Demands reports whether the stop of a rule or of an interlock itself became due:
// whether it is counted as a trip or stands behind one.
func (f *Effect) Demands() bool {
	return f.Kind == TripEffect && f.Reason != ReasonThenSilent || f.Kind == ConsequenceEffect
}
