package guard

import (
	"errors"
	"fmt"
	"slices"

	"downhaul/interlock/records/triplog"
)

// noteState notes the state that the next session must come up by, after a trip alone with the next
// sync: trips come in floods. Where it fails the next comes up tripped all the same: no end was noted.
func (k *keeper) noteState() {
	if k.owesNote && k.remember != nil {
		k.failed("note of the last state", k.remember(k.state.String()))
	}
	k.owesNote = false
}

// appended notes that trip n is in the log. A trip from the reserved place can come before an
// earlier one that still waits in the queue, and "kept" means every trip up to its number.
func (k *keeper) appended(n uint32) {
	k.early = append(k.early, n)
	slices.Sort(k.early)
	for len(k.early) > 0 && k.early[0] <= k.highest+1 {
		k.highest = max(k.highest, k.early[0])
		k.early = k.early[1:]
	}
}

func (k *keeper) sync() {
	k.writeHeld()
	k.writeSays(true)
	err := k.log.Sync()
	k.failed("trip log", err)
	if err == nil {
		k.tell()
		k.noteState()
	}
	k.failed("recording", k.rec.Sync())
	if err == nil && k.stands != nil {
		err = k.stands()
	}
	if !errors.Is(err, triplog.ErrGone) {
		k.gone.Store(nil)
		k.saidGone = false
		return
	}
	text := err.Error()
	k.gone.Store(&text)
	if !k.saidGone {
		k.saidGone, k.owesNote = true, true // the note may have gone with them
	}
	k.noteState()
}

// tell hands on that every trip appended so far is on disk.
func (k *keeper) tell() {
	if k.highest > k.told {
		k.told = k.highest
		k.kept(k.told)
	}
}

// failed notes an error for whoever asks. Where the records are gone, no trip counts as
// kept any more until they are back in their place.
func (k *keeper) failed(what string, err error) {
	if errors.Is(err, triplog.ErrGone) {
		text := err.Error()
		k.gone.Store(&text)
		if k.told > 0 {
			k.told = 0
			k.kept(0)
		}
		return
	}
	if err != nil {
		s := fmt.Sprintf("%s: %v", what, err)
		k.trouble.Store(&s)
	}
}
