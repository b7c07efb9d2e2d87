package interlock

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
	"unsafe"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// untold are the fields that AppendState leaves out, each with the reason.
var untold = map[string]string{
	"limits.above": "the engine itself", "latch.below": "the engine itself", "latch.site": "never changes", "limits.needs": "never changes", "limits.helps": "never changes", "speeds": "never changes", "outputs": "never changes", "limits.readyAfter": "never changes",
	"panicked": "decides nothing", "latch.group": "of the call alone", "env": "never changes", "site": "never changes", "limits.fed": "never changes", "byPhase": "never changes", "agreement": "never changes", "limits.old": "never changes", "asksTurn": "never changes", "limits.used": "never changes", "limits.needed": "never changes", "limits.env": "never changes", "byAge": "never changes", "ofCraft": "never changes",
	"ages": "never changes", "limits.channels.rules": "never changes", "limits.channels.perms": "never changes", "limits.channels.calcs": "never changes",
	"limits.channels.frozenAfter": "never changes",
	"limits.channels.named":       "never changes",
	"limits.channels.missed":      "a rule of the channel is missing", "latch.kept": "decides only by being less than trips or not",
	"limits.channels.shortest": "never changes", "limits.channels.sloped": "never changes", "limits.channels.warming": "never changes",
	"now": "times are told relative to it", "next": "may be early; what is due is told by its owner", "latch.next": "may be early; what is due is told by its owner",
	"limits.calcs": "each tells its own state, and the tests of derived hold it whole", "limits.calcDue": "follows from the calculator's own state",
	"limits.runs.slope":      "tells its own state, and the tests of derived hold it whole",
	"limits.channels.stale":  "a cache of the time of the last Good sample plus a staleness; may be early",
	"limits.channels.inside": "never changes but for WhenJudged, which decides nothing",
	"limits.channels.low":    "a short way past the rules, which changes nothing: the limits' own test of the band", "limits.channels.high": "the other end of it",
	"limits.channels.id": "never changes", "limits.awake": "lists what has a deadline", "limits.channels.awake": "stands in that list",
	"limits.waiting": "lists what has an on-delay", "limits.runs.waiting": "stands in that list", "limits.acting": "only lives in an instant", "latch.standing": "counts the demands in force", "latch.cautions": "counts the cautions told",
	"latch.first": "for the view only", "latch.why": "decides only by being one of two reasons of a fault", "latch.flash": "for the view only", "latch.flashState": "for the view only", "limits.judged": "decides nothing",
	"unknown": "only lives in an instant", "limits.toldUntil": "follows from the last frame, which is told", "latch.out": "only lives until the next call", "latch.front": "only lives until the next call",
}

// sampleStates are engines in states in which, between them, everything that
// AppendState tells only at times is told.
func sampleStates(t *testing.T) []*Engine {
	var out []*Engine
	keep := func(r *rig) { out = append(out, r.e.Clone()) }
	r := busyRig(t)
	keep(r)
	r.run(100 * time.Millisecond)
	r.lines[Reset] = true
	r.run(50 * time.Millisecond)
	keep(r)
	r.run(50 * time.Millisecond)
	r.lines[Reset] = false
	r.run(12 * time.Second)
	keep(r)
	r.press(Start, 200*time.Millisecond)
	keep(r)
	r.run(4 * time.Second)
	keep(r)
	r.set(rules.Tension, 1900, rules.Good)
	r.run(20 * time.Millisecond)
	keep(r)
	r = silentBase(t, Guard, 1)
	r.lost()
	r.run(time.Second)
	keep(r)
	return out
}

// TestAppendStateTellsEveryField changes every field of the engine, one at a
// time, and wants the image to change with it, or a reason why it need not.
func TestAppendStateTellsEveryField(t *testing.T) {
	told, met := map[string]bool{}, map[string]bool{}
	for _, e := range sampleStates(t) {
		before := string(e.AppendState(nil))
		walkFields(reflect.ValueOf(e).Elem(), "", func(path string, change, restore func()) {
			met[path] = true
			change()
			if string(e.AppendState(nil)) != before {
				told[path] = true
			}
			restore()
		})
		if string(e.AppendState(nil)) != before {
			t.Fatal("the test itself changed the engine")
		}
	}
	var paths []string
	for path := range met {
		paths = append(paths, path)
	}
	slices.Sort(paths)
	for _, path := range paths {
		excused := ""
		for p := range untold {
			if path == p || strings.HasPrefix(path, p+".") {
				excused = untold[p]
			}
		}
		switch {
		case !told[path] && excused == "":
			t.Errorf("%s can change without a trace in the image", path)
		}
	}
	for p, why := range untold {
		if !slices.ContainsFunc(paths, func(path string) bool { return path == p || strings.HasPrefix(path, p+".") }) {
			t.Errorf("%s is excused (%s) but is no field", p, why)
		}
	}
}

// walkFields visits every leaf under v by its path without indexes. Interfaces, functions
// and pointers are leaves that cannot be changed, but for the limits.
func walkFields(v reflect.Value, path string, visit func(path string, change, restore func())) {
	v = reflect.NewAt(v.Type(), unsafe.Pointer(v.UnsafeAddr())).Elem()
	switch v.Kind() {
	case reflect.Struct:
		if path != "" && untold[path] != "" {
			visit(path, func() {}, func() {})
			return
		}
		for i := range v.NumField() {
			name := path
			if f := v.Type().Field(i); !f.Anonymous || f.Type.Kind() == reflect.Pointer {
				name = strings.TrimPrefix(path+"."+f.Name, ".")
			}
			walkFields(v.Field(i), name, visit)
		}
	case reflect.Array, reflect.Slice:
		if untold[path] != "" {
			visit(path, func() {}, func() {})
			return
		}
		for i := range v.Len() {
			walkFields(v.Index(i), path, visit)
		}
	case reflect.Bool:
		old := v.Bool()
		visit(path, func() { v.SetBool(!old) }, func() { v.SetBool(old) })
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		old := v.Int()
		change := old + 1
		if old == int64(rules.Never) {
			change = 5
		}
		visit(path, func() { v.SetInt(change) }, func() { v.SetInt(old) })
	case reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		old := v.Uint()
		visit(path, func() { v.SetUint(old + 1) }, func() { v.SetUint(old) })
	case reflect.Float64:
		old := v.Float()
		visit(path, func() { v.SetFloat(old + 1) }, func() { v.SetFloat(old) })
	case reflect.Pointer, reflect.Interface, reflect.Func:
		if l, ok := v.Interface().(*limits.Limits); ok {
			walkFields(reflect.ValueOf(l).Elem(), path, visit)
			return
		}
		visit(path, func() {}, func() {})
	default:
		panic(fmt.Sprintf("%s: no way to change a %v", path, v.Kind()))
	}
}
