package recording

import "downhaul/interlock/day/intake"

// unwrap finds the datagram in a packet and counts what is none.
func (r *Reader) unwrap(link uint16, data []byte) bool {
	found := unwrap(link, data, &r.d)
	if found == holdsFragment {
		if found = r.split.take(r.clock.now, &r.d); found == holdsFragment {
			return false // it waits for the others
		}
	}
	switch found {
	case holdsUDP:
	case holdsTCP:
		r.info.Skipped.TCP++
		return false
	case holdsOtherIP:
		r.info.Skipped.OtherIP++
		return false
	case holdsOther:
		r.info.Skipped.Other++
		return false
	default:
		r.info.Skipped.Short++
		return false
	}
	port := r.d.to.Port()
	if port != r.lastPort { // nearly always the same
		r.lastPort = port
		r.info.port(port)
	}
	if r.onlyPort && port != r.port {
		r.info.Skipped.OtherPort++
		return false
	}
	if r.d.cut {
		r.info.Cut++
	}
	return true
}

func (r *Reader) rawChunk(c *intake.Chunk) error {
	at, b, err := r.raw.next()
	if err != nil {
		return err
	}
	r.seq++
	r.raw.at = at
	c.At, c.Seq, c.Source, c.Bytes, c.Checked = at, r.seq, intake.Telemetry, b, r.raw.given
	return nil
}
