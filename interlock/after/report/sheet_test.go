//go:build linux

package report

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"downhaul/rules"
)

// After a fault of the chain the sheet withholds every verdict, says why it stopped, and
// what must happen before the next start.
func TestSheetWithholds(t *testing.T) {
	fault := []string{
		`{"at_ns":1000000000,"kind":"state","state":"live","from":"closing","reason":"chain closed and read back"}`,
		`{"at_ns":2000000000,"kind":"trip","trip":1,"first_out":true,"stop":"immediate","reason":"emergency stop"}`,
		`{"at_ns":2000000000,"kind":"state","state":"tripped","from":"live","reason":"emergency stop"}`,
		`{"at_ns":3000000000,"kind":"state","state":"fault","from":"tripped","reason":"` + notRemoved[0] + `"}`,
	}
	s, err := Read(context.Background(), toldSession(t, brokenFiles, fault...), Options{})
	if err != nil {
		t.Fatal(err)
	}
	o := Of(time.Unix(0, 0), "a test", []*Session{s}, nil, Asked{}).Sheet
	if o.Verdict != "withheld" || o.Because != "Power was not known to be removed." {
		t.Errorf("%q because %q", o.Verdict, o.Because)
	}
	if len(o.Stopped) != 1 || !strings.Contains(o.Stopped[0], "First cause: emergency stop") && !strings.Contains(o.Stopped[0], "FAULT") {
		t.Errorf("stopped %q", o.Stopped)
	}
	if text := strings.Join(o.Must, "\n"); !strings.Contains(text, "downhaul defect") {
		t.Errorf("must %q", text)
	}
}

// A clock that was never set gives no time of day, and the page says so.
func TestNoTimeOfDayWithoutAClock(t *testing.T) {
	s := &Session{Session: "s", Number: 3, Began: time.Date(1970, 1, 1, 0, 0, 9, 0, time.UTC)}
	if got := s.When(seconds(1500 * time.Millisecond)); got != "1.50 s" {
		t.Error(got)
	}
	if got := s.Day(); !strings.Contains(got, "never set") {
		t.Error(got)
	}
	s.Began = time.Date(2031, 5, 3, 9, 0, 0, 0, time.UTC)
	if got, want := s.When(seconds(90*time.Second)), s.Began.Add(90*time.Second).Local().Format("15:04:05")+", 90.00 s"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// Over several sessions the limits stand as in the newest envelope, a changed one before what
// it was, and those that it has not any more behind; of each the least is told.
func TestMarginsStandAsInTheNewestEnvelope(t *testing.T) {
	made := func(number int, names ...string) *Session {
		s := &Session{Number: number, env: &rules.Envelope{}}
		for i, name := range names {
			name, limit, _ := strings.Cut(name, " ")
			v, err := strconv.ParseFloat(limit, 64)
			if err != nil {
				t.Fatal(err)
			}
			r := rules.Rule{Name: name, Watch: rules.Tension, Limit: v, Unit: "N"}
			s.env.Rules = append(s.env.Rules, r)
			// Nearest first, as a session has them: the other way round.
			s.Rules = slices.Insert(s.Rules, 0, RuleRow{Rule: name, Limit: limitOf(&r), Least: &Quantity{Value: float64(100*number + i), shown: "N"}, LeastAt: seconds(0)})
		}
		return s
	}
	newest := made(2, "a 10", "new 4", "b 8")
	o := (&Report{Sessions: []*Session{made(1, "old 5", "a 10", "b 7"), newest}, Lift: &Lift{}}).sheet(newest)
	var got []string
	for _, m := range o.Margins {
		got = append(got, fmt.Sprintf("%s %s %s", m.Rule, m.Limit, m.Least))
	}
	if want := []string{"a 10 N 101 N", "new 4 N 201 N", "b 8 N 202 N", "b 7 N 102 N", "old 5 N 100 N"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// A name that files write begins no sentence with a capital letter: it could not be found in
// them.
func TestNamesKeepTheirLetters(t *testing.T) {
	for text, want := range map[string]string{"wind_loop, whether": "wind_loop, whether.", "tether.tension: none": "tether.tension: none.", "hold, whether": "Hold, whether.", "no.": "No."} {
		if got := sentence(text); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
