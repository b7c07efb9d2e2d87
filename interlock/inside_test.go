package interlock

import (
	"fmt"
	"reflect"
	"slices"
	"sync"
	"time"
	"unsafe"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// inside returns a field of the limits, which only tests look into.
func inside[T any](l *limits.Limits, name string) *T {
	return part[T](reflect.ValueOf(l).Elem(), name)
}

// readings are those of the limits, to be changed behind their back.
func (e *Engine) readings() *limits.Table { return inside[limits.Table](e.limits, "table") }

// part returns a field of a struct that only tests look into.
func part[T any](v reflect.Value, name string) *T {
	f := field(v, name)
	if f.Type() != reflect.TypeFor[T]() {
		panic(fmt.Sprintf("%s is a %v", name, f.Type()))
	}
	return (*T)(unsafe.Pointer(f.UnsafeAddr()))
}

// places remembers where the fields of structs stand, by type and name. Looking them up
// by name was half of the time of the tests that look after every call.
var places sync.Map

// field is v.FieldByName(name).
func field(v reflect.Value, name string) reflect.Value {
	type key struct {
		of   reflect.Type
		name string
	}
	k := key{v.Type(), name}
	at, known := places.Load(k)
	if !known {
		f, ok := k.of.FieldByName(name)
		if !ok {
			panic(fmt.Sprintf("%v has no field %s", k.of, name))
		}
		at = f.Index
		places.Store(k, at)
	}
	return v.FieldByIndex(at.([]int))
}

// ofChannel returns a field of what the limits know of a channel.
func ofChannel[T any](e *Engine, id rules.ChannelID, name string) *T {
	return part[T](field(reflect.ValueOf(e.limits).Elem(), "channels").Index(int(id)), name)
}

// longestOf returns the longest staleness of the rules and permissives of a channel.
func longestOf(e *Engine, id rules.ChannelID) (longest time.Duration) {
	for i := range e.env.Rules {
		if r := &e.env.Rules[i]; r.Watch == id {
			longest = max(longest, r.StaleAfter)
		}
	}
	for i := range e.env.Permissives {
		if p := &e.env.Permissives[i]; p.Watch == id {
			longest = max(longest, p.StaleAfter)
		}
	}
	return longest
}

// wrongLimits returns what may not be so in the limits after any call.
func wrongLimits(after *Engine) string {
	l := reflect.ValueOf(after.limits).Elem()
	waiting, awake := *inside[[]int32](after.limits, "waiting"), *inside[[]rules.ChannelID](after.limits, "awake")
	runs := field(l, "runs")
	for i := range runs.Len() {
		r := runs.Index(i)
		switch due := time.Duration(field(r, "due").Int()); {
		case due <= after.now:
			return "an on-delay that is over was left"
		case due < after.Deadline():
			return "an on-delay ends before the deadline"
		case due != rules.Never && !slices.Contains(waiting, int32(i)):
			return "an on-delay runs that is not looked at"
		case field(r, "goMissing").Bool():
			return "a rule that turns missing was left"
		case field(r, "Asks").Index(0).Bool() && !field(r, "beyond").Bool():
			return "a demand without a violation"
		}
	}
	for _, id := range *inside[[]rules.ChannelID](after.limits, "used") {
		switch due := min(*ofChannel[time.Duration](after, id, "stale"), *ofChannel[time.Duration](after, id, "ready")); {
		case due == rules.Never:
		case due <= after.now:
			return "a channel's deadline was left"
		case due < after.Deadline():
			return "a channel's deadline stands before the engine's"
		case !slices.Contains(awake, id):
			return "a channel's deadline is not looked at"
		}
	}
	calcs := *inside[[]limits.Calculator](after.limits, "calcs")
	for i, due := range *inside[[]time.Duration](after.limits, "calcDue") {
		switch {
		case due <= after.now && after.started:
			return fmt.Sprintf("the deadline of %v was left at %v", calcs[i].Output(), due)
		case due < after.Deadline():
			return fmt.Sprintf("%v is due at %v, before the deadline %v", calcs[i].Output(), due, after.Deadline())
		}
	}
	return ""
}
