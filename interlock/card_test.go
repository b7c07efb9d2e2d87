package interlock

import "testing"

// What the test card asks keeps a guard from being ready, takes it back from
// ready, and changes nothing while power is on: losing a permissive is no trip.
func TestCardIsAPermissive(t *testing.T) {
	asks := func(e *Engine, on bool) { e.Step(e.now, Input{Kind: HostInput, Host: HostCard, On: on}) }
	states := map[State]bool{}
	for _, seed := range exploreSeeds(t) {
		e := seed.Clone()
		asks(e, true)
		states[seed.state] = true
		want := seed.state
		if want == Ready || want == Closing {
			want = Blocked
		}
		if e.state != want {
			t.Errorf("in %v, what the card asks led to %v, want %v", seed.state, e.state, want)
		}
		named := false
		e.eachUnmet(func(u Unmet) bool { named = named || u.Need == NeedCard; return true })
		if e.site.Duty == Guard && !named {
			t.Errorf("in %v the card is not named among what is missing", seed.state)
		}
		asks(e, false)
		e.eachUnmet(func(u Unmet) bool {
			if u.Need == NeedCard {
				t.Errorf("in %v a card that is content still counts as missing", seed.state)
			}
			return true
		})
	}
	for _, s := range []State{Blocked, Ready, Closing, Live, Tripped} {
		if !states[s] {
			t.Errorf("%v was not tried", s)
		}
	}
}
