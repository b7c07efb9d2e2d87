package architecture

import (
	"fmt"
	"testing"
)

// recorder stands in for a test and keeps what was asked of it.
type recorder struct {
	testing.TB
	did string
}

func (r *recorder) Helper()          {}
func (r *recorder) Skip(args ...any) { r.did = "skip: " + fmt.Sprint(args...) }
func (r *recorder) Fatalf(format string, args ...any) {
	r.did = "fatal: " + fmt.Sprintf(format, args...)
}

func TestNeedAndWant(t *testing.T) {
	for _, c := range []struct {
		name, strict string
		call         func(testing.TB, bool, string)
		ok           bool
		want         string
	}{
		{"need met", "1", Need, true, ""},
		{"need unmet at home", "", Need, false, "skip: no emulator"},
		{"need unmet on the build machine", "1", Need, false, "fatal: no emulator (with DOWNHAUL_CI=1 this is a failure, not a skip)"},
		{"want met", "1", Want, true, ""},
		{"want unmet at home", "", Want, false, "skip: no emulator"},
		{"want unmet on the build machine", "1", Want, false, "skip: no emulator"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Setenv(strict, c.strict)
			r := &recorder{}
			c.call(r, c.ok, "no emulator")
			if r.did != c.want {
				t.Errorf("got %q, want %q", r.did, c.want)
			}
		})
	}
}
