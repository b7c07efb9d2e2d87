package commission

// windLoop tries the line that shows a cut wire of the anemometer: at the head the
// cable is unplugged, and then shorted.
func (b *bench) windLoop(t *trial) error {
	whole := func(l *look) bool { return l.loop }
	cut := func(l *look) bool { return !l.loop }
	if _, ok, err := b.rig.watch(b.ctx, leastHold, whole); err != nil || !ok {
		t.found("wind_loop reads cut although nothing is unplugged: a wire parted, its bounds are off, or it is wired the other way round than the pad file says")
		return err
	}
	for _, s := range []struct{ what, do, undo string }{
		{"cut", "Unplug the anemometer at its head.", "Plug it in again."},
		{"short", "Short its two wires at the head.", "Take the short off."},
	} {
		_, ok, err := b.await(s.do, cut, nil)
		if err != nil {
			return err
		}
		if !ok {
			t.found("the %s was not seen by wind_loop: the resistors stand at the wrong end, its bounds are off, or it is another line than the pad file says", s.what)
		}
		switch _, ok, err = b.await(s.undo, whole, nil); {
		case err != nil:
			return err
		case !ok:
			t.found("wind_loop did not come back from the %s", s.what)
			return nil
		}
		t.note("%s at the head tried", s.what)
	}
	return nil
}
