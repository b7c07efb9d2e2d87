package panel

import (
	"errors"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/answers/told"
)

// A program that watches gets figures at /metrics and, at /health, whether the guard
// answers: with code 503 where it does not, as the page turns dead.
func TestProgramsReadFiguresAndHealth(t *testing.T) {
	var w teller
	silent := errors.New("nobody there")
	w.err.Store(&silent)
	p := served(t, w.ask, 1, 1)
	get := func(path string) (code int, kind, text string) {
		answer, err := http.Get("http://" + p.Address() + path)
		must(t, err)
		defer answer.Body.Close()
		b, err := io.ReadAll(answer.Body)
		must(t, err)
		return answer.StatusCode, answer.Header.Get("Content-Type"), string(b)
	}
	becomes := func(code int, up string) {
		t.Helper()
		for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
			got, _, says := get("/health")
			_, kind, text := get("/metrics")
			if got == code && kind == told.MetricsType && strings.Contains(text, "\ndownhaul_up "+up+"\n") && strings.HasSuffix(text, "# EOF\n") {
				return
			}
			if time.Now().After(end) {
				t.Fatalf("health %d %q, want %d; metrics as %s:\n%s", got, says, code, kind, text)
			}
		}
	}
	becomes(http.StatusServiceUnavailable, "0")
	live := *scenes()[4].status()
	live.Folder, live.AgeS = "/somewhere/on/disk", 0
	w.status.Store(&live)
	w.err.Store(nil)
	becomes(http.StatusOK, "1")
	if _, _, text := get("/metrics"); !strings.Contains(text, `downhaul_state{downhaul_state="`+live.State+`"} 1`) || strings.Contains(text, live.Folder) {
		t.Errorf("metrics of a guard that is %s:\n%s", live.State, text)
	}
	old := live
	old.AgeS = 30
	w.status.Store(&old)
	becomes(http.StatusServiceUnavailable, "0")
}
