package link

import (
	"fmt"
	"testing"
	"time"
)

func TestBackoffGrowsAndStartsAnew(t *testing.T) {
	var b backoff
	var got []time.Duration
	for range 7 {
		got = append(got, b.wait())
		b.held(time.Second)
	}
	want := []time.Duration{250e6, 500e6, 1e9, 2e9, 4e9, 5e9, 5e9}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("waits %v, want %v", got, want)
	}
	b.held(time.Minute)
	if d := b.wait(); d != firstRetry {
		t.Errorf("after a connection that held, the wait is %v, want %v", d, firstRetry)
	}
}
