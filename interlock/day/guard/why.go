package guard

import (
	"slices"
	"strings"
	"time"

	"downhaul/interlock"
)

// whyEvery is the least time between two remarks on why there is no start, so
// that something that comes and goes cannot fill the log.
const whyEvery = time.Second

// why is what was last logged about it.
type why struct {
	unmet []interlock.Unmet
	said  bool
	next  time.Duration
}

// moved reports whether the list is another one than the last that was logged; how
// far each row is does not count.
func (w *why) moved(now []interlock.Unmet) bool {
	return !w.said || !slices.EqualFunc(w.unmet, now, func(a, b interlock.Unmet) bool {
		return a.Need == b.Need && a.Index == b.Index
	})
}

// remark puts the list "not ready because" into the trip log when it has
// changed: the same text that status and page show. The loop calls it with its
// own snapshot. It decides nothing and stands in no recording.
func (g *Guard) remark(v *interlock.View) {
	w := &g.lacking
	if v.Duty == interlock.Watch || v.At < w.next || v.State != interlock.Blocked && v.State != interlock.Ready || !w.moved(v.Unmet) {
		return
	}
	w.said, w.next = true, v.At+whyEvery
	w.unmet = append(w.unmet[:0], v.Unmet...)
	text := "everything needed for a start is there"
	if list := g.notReady(v); len(list) > 0 {
		text = "not ready because: " + strings.Join(list, "; ")
	}
	if g.opts.Stepped {
		g.keeper.noteText(text)
	} else {
		g.keeper.remark(v.At, text)
	}
}
