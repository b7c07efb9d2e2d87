package rehearsal

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sync"

	"downhaul/rules"
)

// task is one flight of many.
type task struct {
	set   *Setup
	name  string
	out   **Result
	trial bool // of the ranking; nothing that is ranked can change once the craft lies without power
}

// fly flies many, some at a time: each has a folder, a guard and a craft of its own,
// so that their order decides nothing. It calls flown, from several goroutines, after each.
func fly(ctx context.Context, dir string, keep bool, tasks []task, flown func(of int)) error {
	next := make(chan int)
	errs := make([]error, len(tasks))
	var wg sync.WaitGroup
	for range max(2, runtime.GOMAXPROCS(0)) {
		wg.Go(func() {
			for i := range next {
				errs[i] = tasks[i].fly(filepath.Join(dir, fmt.Sprintf("%03d-%s", i, tasks[i].name)), keep)
				flown(len(tasks))
			}
		})
	}
	for i := range tasks {
		select {
		case next <- i:
			continue
		case <-ctx.Done():
			errs[i] = ctx.Err()
		}
		break
	}
	close(next)
	wg.Wait()
	return errors.Join(errs...)
}

func (t *task) fly(dir string, keep bool) error {
	set, err := t.set.In(dir)
	if err != nil {
		return fmt.Errorf("%s: %w", t.name, err)
	}
	scenario, err := set.Shipped(t.name)
	if err != nil {
		return err
	}
	if lacks := set.lacks(scenario); lacks != "" {
		*t.out = &Result{Name: t.name, Title: scenario.Title, Lacks: lacks, AsExpected: true}
		return os.RemoveAll(dir)
	}
	if *t.out, err = set.fly(t.name, scenario, t.trial); err != nil {
		return fmt.Errorf("%s: %w", t.name, err)
	}
	if !keep {
		return os.RemoveAll(dir)
	}
	return nil
}

// All flies every mishap that ships; its sessions stay under dir where keep is set. It
// calls flown after each, from several goroutines, with how many there are.
func (s *Setup) All(ctx context.Context, dir string, keep bool, flown func(of int)) ([]*Result, error) {
	names := Names()
	out := make([]*Result, len(names))
	tasks := make([]task, len(names))
	for i, name := range names {
		tasks[i] = task{s, name, &out[i], false}
	}
	return out, fly(ctx, dir, keep, tasks, flown)
}

// Change is one change of the limits, tried by flying it.
type Change struct {
	What string
	// Gain is how much less all mishaps cost with it; Helps how many came out better.
	Gain  float64
	Helps int
	// Calm reports whether the calm day trips with it.
	Calm bool
}

// falseTrip is what an unplanned stop of a calm day costs, beside what its fall does.
const falseTrip = 20.0

// Best tries changes of the limits on the mishaps that cost something, and ranks those
// that help. None loosens or drops a limit. Flown is called as by All.
func (s *Setup) Best(ctx context.Context, dir string, base []*Result, flown func(of int)) ([]Change, error) {
	was := map[string]*Result{}
	names := []string{Calm}
	for _, r := range base {
		if was[r.Name] = r; s.Cost(r) > 0.05 && r.Live && r.Name != Calm {
			names = append(names, r.Name)
		}
	}
	variants, err := s.variants()
	if err != nil {
		return nil, err
	}
	results := make([][]*Result, len(variants))
	var tasks []task
	for i, v := range variants {
		matter := slices.DeleteFunc(slices.Clone(names), func(name string) bool { return v.needless(was[name]) })
		results[i] = make([]*Result, len(matter))
		for j, name := range matter {
			tasks = append(tasks, task{v.set, name, &results[i][j], true})
		}
	}
	if err := fly(ctx, dir, false, tasks, flown); err != nil {
		return nil, err
	}
	trips := func(r *Result) bool { return r.Stopped != nil || r.NoStart != "" }
	var out []Change
	for i, v := range variants {
		c := Change{What: v.what, Calm: trips(was[Calm])}
		for _, r := range results[i] {
			gain := s.Cost(was[r.Name]) - s.Cost(r)
			if r.Name == Calm {
				if c.Calm = trips(r); c.Calm && !trips(was[Calm]) {
					gain -= falseTrip
				}
			} else if !r.Live || r.NoStart != "" {
				gain = 0 // it never came to the mishap
			}
			if c.Gain += gain; gain > 0.05 {
				c.Helps++
			}
		}
		if c.Gain > 0.05 {
			out = append(out, c)
		}
	}
	slices.SortStableFunc(out, func(a, b Change) int { return cmp.Compare(b.Gain, a.Gain) })
	return out, nil
}

type variant struct {
	what  string
	set   *Setup
	hover bool // it changes how the craft is flown, not a limit
	// once names the rule whose demand must stand before the change matters; empty
	// for a change that matters before.
	once string
}

// needless reports whether a flight, known without the variant, tells nothing of it.
func (v *variant) needless(r *Result) bool {
	if v.hover {
		return false
	}
	// What the wire or a built-in interlock stopped, no limit is there to stop; and the
	// same files, wind and seed fly the same until the change matters.
	return r.Name != Calm && r.Stopped != nil && r.Stopped.Rule == "" || v.once != "" && !slices.Contains(r.Demanded, v.once)
}

// variants are the changes worth a try: each limit tighter, each delay shorter, each
// controlled stop immediate, rules that are not there, and a lower hover.
func (s *Setup) variants() (out []variant, err error) {
	add := func(what, once string, change func(t map[string]any) bool) {
		if err != nil {
			return
		}
		changed := false
		f, wrong := rewrite(s.original.Envelope, s.original.Envelope.Name, func(t map[string]any) { changed = change(t) })
		if err = wrong; err != nil || !changed {
			return
		}
		// A change that the files refuse is none.
		if set, wrong := s.with(f.Text, filepath.Dir(s.Files.Pad.Name)); wrong == nil {
			set.Craft.Config.Seed, set.Craft.Hover, set.Craft.Room = s.Craft.Config.Seed, s.Craft.Hover, s.Craft.Room
			set.held = &s.Craft.Hover
			out = append(out, variant{what, set, false, once})
		}
	}
	for i := range s.Checked.Envelope.Rules {
		r := s.Checked.Envelope.Rules[i]
		row := func(t map[string]any) map[string]any {
			rows, _ := t["rule"].([]map[string]any)
			return rows[i]
		}
		add(fmt.Sprintf("%q 20 %% lower", r.Name), "", func(t map[string]any) bool { return scale(row(t), 0.8, "above", "caution") })
		add(fmt.Sprintf("%q 5 %% higher", r.Name), "", func(t map[string]any) bool { return scale(row(t), 1.05, "below", "caution") })
		add(fmt.Sprintf("half the delay of %q", r.Name), "", func(t map[string]any) bool { return scale(row(t), 0.5, "lasting") })
		add(fmt.Sprintf("half the grace of %q", r.Name), r.Name, func(t map[string]any) bool { return scale(row(t), 0.5, "grace") })
		add(fmt.Sprintf("%q stops at once", r.Name), r.Name, func(t map[string]any) bool {
			m := row(t)
			was := m["stop"] == "controlled"
			m["stop"] = "immediate"
			delete(m, "grace")
			return was
		})
	}
	for _, n := range s.newRules() {
		watch := n["watch"]
		if slices.ContainsFunc(s.Checked.Envelope.Rules, func(r rules.Rule) bool { return r.Watch.String() == watch }) {
			continue
		}
		limit, word := n["above"], "above"
		if limit == nil {
			limit, word = n["below"], "below"
		}
		add(fmt.Sprintf("a new rule: %s %s %s, stop %s", watch, word, s.inUnits(fmt.Sprint(watch), fmt.Sprint(limit)), n["stop"]), "", func(t map[string]any) bool {
			rows, _ := t["rule"].([]map[string]any)
			t["rule"] = append(rows, n)
			return true
		})
	}
	if err == nil {
		set, wrong := s.with(s.original.Envelope.Text, filepath.Dir(s.Files.Pad.Name))
		if err = wrong; err != nil {
			return nil, err
		}
		hover := 0.6 * s.Craft.Hover
		set.Craft.Config.Seed, set.Craft.Hover, set.held = s.Craft.Config.Seed, hover, &hover
		out = append(out, variant{"hover at " + s.Show(hover, rules.Length) + " instead of " + s.Show(s.Craft.Hover, rules.Length), set, true, ""})
	}
	return out, err
}

// inUnits returns a limit on a channel in the units of the reader's own limits.
func (s *Setup) inUnits(channel, limit string) string {
	c, _ := rules.Lookup(channel)
	q, err := rules.ParseQuantity(limit, c.Kind)
	if err != nil {
		return limit
	}
	return s.Show(q.SI, c.Kind)
}

// newRules are rules that a set of limits may lack, sized to the craft.
func (s *Setup) newRules() []map[string]any {
	q := func(v float64, unit string) string { return fmt.Sprintf("%.3g %s", v, unit) }
	c := s.Craft
	return []map[string]any{
		{"name": "pull on the tether", "watch": "tether.tension", "above": q(0.7*max(s.WorkingLoad(), 0.2*s.weight()), "N"), "lasting": "40 ms", "stop": "immediate"},
		{"name": "tilt", "watch": "craft.tilt", "above": "30 deg", "lasting": "100 ms", "while": "airborne", "stop": "immediate"},
		{"name": "climb", "watch": "craft.climb", "above": "1.5 m/s", "lasting": "100 ms", "while": "airborne", "stop": "immediate"},
		{"name": "sink", "watch": "craft.climb", "below": "-1.5 m/s", "lasting": "200 ms", "while": "airborne", "stop": "immediate"},
		{"name": "drift", "watch": "craft.distance", "above": q(math.Max(1.5, c.Config.TetherLength/3), "m"), "while": "airborne", "stop": "controlled", "grace": "10 s"},
		{"name": "cell floor", "watch": "pack.lowest_cell", "below": "3.4 V", "lasting": "1 s", "stop": "controlled", "grace": "10 s"},
		{"name": "gust", "watch": "wind.gust3s", "above": "8 m/s", "stop": "controlled", "grace": "12 s"},
		{"name": "no power to spare", "watch": "motor.highest", "above": "95 %", "lasting": "1 s", "while": "airborne", "stop": "controlled", "grace": "10 s"},
		{"name": "motors apart", "watch": "motor.spread", "above": "45 %", "lasting": "300 ms", "while": "airborne", "stop": "controlled", "grace": "8 s"},
	}
}
