package guard

import (
	"fmt"
	"os/user"
	"strconv"
	"sync"
	"time"

	"downhaul/hw/localsocket"
)

// nameOf is a local user as the system knows him.
func nameOf(p localsocket.Peer) string {
	if !p.Known {
		return "not known: this system does not tell"
	}
	id := strconv.Itoa(p.UID)
	if u, err := user.LookupId(id); err == nil && u.Username != "" {
		return fmt.Sprintf("%s (user %s)", u.Username, id)
	}
	return "user " + id
}

// groupID finds a group of the system by its name; -1 for none.
func groupID(name string) (int, error) {
	if name == "" {
		return -1, nil
	}
	g, err := user.LookupGroup(name)
	if err != nil {
		return 0, fmt.Errorf("socket_group of the pad file: %w; make the group (groupadd --system %s), or take the line out", err, name)
	}
	return strconv.Atoi(g.Gid)
}

// rate bounds how often people may stamp and declare: a burst, then one a
// second. Ours: a crew that reads a checklist aloud stays far below.
type rate struct {
	mu   sync.Mutex
	left float64
	last time.Time
}

const burst = 20

func (r *rate) take(now time.Time) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.last.IsZero() {
		r.left = burst
	} else {
		r.left = min(burst, r.left+now.Sub(r.last).Seconds())
	}
	r.last = now
	if r.left < 1 {
		return false
	}
	r.left--
	return true
}
