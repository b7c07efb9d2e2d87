package recording

import "time"

// piece is a part of what was scanned, with its time: bytes from:to of the window,
// frames frame:frameEnd.
type piece struct {
	from, to        int
	frame, frameEnd int
	at              time.Duration
}

// spread cuts what was scanned into pieces where the clock stood at at in frame
// anchor (-1: before them all) and stands at now in the frame that follows them.
// A frame without a time of its own came between: where, its number tells, since what
// was lost took its time too. Left at the time of the frame before, a disarm behind a
// silence of 16 s came out 16 s early, and slow messages made silences that were none.
func (r *rawReader) spread(anchor int, at, now time.Duration) {
	r.pieces = append(r.pieces, piece{at: at})
	if now-at >= apart {
		last := r.found // the frame that follows
		if k := r.doubtAt; k > anchor && r.clock.leapt >= at {
			r.between(anchor, k, at, r.clock.leapt)
			r.cut(k, r.clock.leapt)
			anchor, at = k, r.clock.leapt
		}
		r.between(anchor, last, at, now)
	}
	p := &r.pieces[len(r.pieces)-1]
	p.to, p.frameEnd = r.size, r.found
}

// between gives the frames between two whose times are known their own.
func (r *rawReader) between(first, last int, from, to time.Duration) {
	// More than half the circle ahead is a frame that was overtaken, unless so many may
	// well have been lost meanwhile.
	most := 128
	if to-from > agree {
		most = 248
	}
	total := r.steps(first, last, most, nil)
	if total == 0 {
		return
	}
	r.steps(first, last, most, func(k, step int) {
		r.cut(k, from+(to-from)*time.Duration(step)/time.Duration(total))
	})
}

// steps counts the frames that the clock's sender sent behind frame first up to frame
// last, by their numbers; each is told of those between.
func (r *rawReader) steps(first, last, most int, each func(k, step int)) (n int) {
	var seq uint8
	known := first >= 0
	if known {
		seq = r.frames[first].Seq
	}
	for k := first + 1; k <= last; k++ {
		f := &r.frames[k]
		if f.System != r.who.system || f.Component != r.who.component {
			continue
		}
		step := 1
		if known {
			if step = int(f.Seq - seq); step > most {
				continue
			}
		}
		known, seq, n = true, f.Seq, n+step
		if each != nil && k < last {
			each(k, n)
		}
	}
	return n
}

// cut begins a piece with frame k.
func (r *rawReader) cut(k int, at time.Duration) {
	p := &r.pieces[len(r.pieces)-1]
	if at <= p.at {
		return
	}
	start := r.starts[k]
	if start == p.from { // nothing stands before it
		p.at = at
		return
	}
	p.to, p.frameEnd = start, k
	r.pieces = append(r.pieces, piece{from: start, frame: k, at: at})
}
