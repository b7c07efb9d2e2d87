package standrun

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/records/standtable"
)

const second = time.Second

// bench is a made-up run on a stand: thrust goes with the square of the speed, speed with
// output and voltage. What the cell reads is thrust over the lever, a zero that wanders,
// and noise.
type bench struct {
	seen  Seen
	now   time.Duration
	lever float64
	drift float64 // N/s of the cell's zero
	noise float64 // N
	dice  *rand.Rand
	mute  bool // no telemetry
}

const topThrust, topSpeed, topAmps = 30.0, 120.0, 25.0

// hold has output held for so long, with a mass hung where the motor pulls.
func (b *bench) hold(output, hung float64, d time.Duration) {
	volts := 24 - 0.05*topAmps*math.Pow(output, 3)
	for end := b.now + d; b.now < end; b.now += 12500 * time.Microsecond {
		pull := topThrust*output*output + hung*gravity
		b.seen.Cell = append(b.seen.Cell, Sample{b.now, pull/b.lever + 1.5 + b.drift*b.now.Seconds() + b.noise*b.dice.NormFloat64()})
		if int(b.now/(12500*time.Microsecond))%8 == 0 && !b.mute {
			b.seen.Output = append(b.seen.Output, Sample{b.now, output})
			b.seen.Speed = append(b.seen.Speed, Sample{b.now, topSpeed * output})
			b.seen.Volts[1] = append(b.seen.Volts[1], Sample{b.now, volts})
			b.seen.Amps[1] = append(b.seen.Amps[1], Sample{b.now, topAmps * math.Pow(output, 3)})
		}
	}
}

func (b *bench) mark(m Mark) {
	m.At = b.now
	b.seen.Marks = append(b.seen.Marks, m)
}

func (b *bench) row(output float64) {
	b.hold(output, 0, 4*second)
	m := NewMark(Row)
	m.Hold = 3 * second
	b.mark(m)
}

func (b *bench) tare() {
	b.hold(0, 0, 4*second)
	b.mark(Mark{What: Tare, Hold: 3 * second})
}

// weigh hangs a mass that is really so many kilograms, and states another.
func (b *bench) weigh(really, stated, doubt float64) {
	b.hold(0, really, 4*second)
	b.mark(Mark{What: Hung, Hold: 3 * second, Mass: stated, Doubt: doubt})
}

func onBench(seed uint64) *bench {
	return &bench{lever: 2, noise: 0.02, dice: rand.New(rand.NewPCG(seed, 5))}
}

// whole is a run up and down again.
func (b *bench) whole() {
	b.mark(Mark{What: Begin})
	b.tare()
	b.weigh(2, 2, 0.005)
	b.tare()
	for _, u := range []float64{0.3, 0.5, 0.7, 0.9, 1, 0.9, 0.7, 0.5, 0.3} {
		b.row(u)
	}
	b.tare()
	b.mark(Mark{What: Done})
}

// A whole run gives each row with its thrust, whatever the lever, and nothing is against
// it.
func TestRunBecomesATable(t *testing.T) {
	for _, lever := range []float64{0.4, 1, 2.5} {
		b := onBench(1)
		b.lever = lever
		b.whole()
		got, err := take(&b.seen)
		if err != nil {
			t.Fatal(err)
		}
		if !got.Finished || len(got.Rows) != 9 || len(got.Notes) > 0 || math.Abs(got.Lever.Ratio/lever-1) > got.Lever.Doubt || got.Doubt > 0.02 {
			t.Fatalf("%+v", got)
		}
		for _, r := range got.Rows {
			u := r.Output.Value
			if math.Abs(r.Thrust.Value-topThrust*u*u) > 0.01*topThrust*u*u+0.02 || math.Abs(r.Speed.Value-topSpeed*u) > 1e-6 || r.Count < 230 || !r.Thrust.HasSpread {
				t.Errorf("lever %v: %+v", lever, r)
			}
		}
		table := &standtable.Table{Doubt: got.Doubt, Diameter: 0.381, Rows: got.Rows}
		if j := standtable.Judge(table); len(j.Findings) > 0 {
			t.Errorf("lever %v: %v", lever, j.Findings)
		}
		again, faults := standtable.Read("t.csv", table.Text())
		if err := faults.Err(); err != nil || len(again.Rows) != 9 {
			t.Errorf("%v", err)
		}
	}
}

// The doubt of a table holds the truth in 95 of 100 stands, whose mass, arms, angle and
// zero are off by what is stated of them (at 95 %).
func TestDoubtHoldsTheTruth(t *testing.T) {
	const runs = 400
	for _, how := range []string{"mass", "arms"} {
		held, width := 0, 0.0
		for seed := range uint64(runs) {
			b := onBench(seed)
			off := func(by float64) float64 { return b.dice.NormFloat64() * by / 2 }
			b.drift = off(0.002)
			b.mark(Mark{What: Begin})
			b.tare()
			switch how {
			case "mass":
				b.lever = 0.5 + 2*b.dice.Float64()
				b.weigh(2, 2+off(0.02), 0.02)
				b.tare()
			case "arms":
				m := Mark{What: Arms, Motor: 0.3, Scale: 0.2, Doubt: 0.003, Angle: 0.1, AngleDoubt: 0.05}
				b.mark(m)
				b.lever = (m.Scale + off(m.Doubt)) * math.Cos(m.Angle+off(m.AngleDoubt)) / (m.Motor + off(m.Doubt))
			}
			for _, u := range []float64{0.4, 0.6, 0.8, 1} {
				b.row(u)
			}
			b.tare()
			b.mark(Mark{What: Done})
			got, err := take(&b.seen)
			if err != nil {
				t.Fatal(err)
			}
			if r := got.Rows[2]; math.Abs(topThrust*r.Output.Value*r.Output.Value/r.Thrust.Value-1) <= got.Doubt {
				held++
			}
			width += got.Doubt / runs
		}
		t.Logf("by %s: %d of %d held, mean doubt %.2f %%", how, held, runs, 100*width)
		if held < runs*93/100 || width > 0.05 {
			t.Errorf("by %s: %d of %d held, mean doubt %.2f %%", how, held, runs, 100*width)
		}
	}
}

// A run that breaks off keeps what was taken, and says that it is unfinished; a zero that
// moved widens the doubt.
func TestBrokenRunIsKeptAndDoubted(t *testing.T) {
	b := onBench(3)
	b.mark(Mark{What: Begin})
	b.tare()
	b.weigh(2, 2, 0.005)
	b.tare()
	b.row(0.4)
	b.row(0.6)
	got, err := take(&b.seen)
	if err != nil || got.Finished || len(got.Rows) != 2 || !strings.Contains(strings.Join(got.Notes, "\n"), "unfinished") || got.Doubt < 0.01 {
		t.Fatalf("%v %+v", err, got)
	}
	still := onBench(4)
	still.whole()
	drifts := onBench(4)
	drifts.drift = 0.02
	drifts.whole()
	a, err := take(&still.seen)
	if err != nil {
		t.Fatal(err)
	}
	c, err := take(&drifts.seen)
	if err != nil || c.Doubt < 2*a.Doubt || !strings.Contains(strings.Join(c.Notes, "\n"), "the zero moved") {
		t.Errorf("%v: doubt %.3f beside %.3f, %v", err, c.Doubt, a.Doubt, c.Notes)
	}
	// A later begin leaves what stands before it out.
	b.mark(Mark{What: Begin})
	if _, err := take(&b.seen); err == nil || !strings.Contains(err.Error(), "no tare counts") {
		t.Errorf("a new run without a tare: %v", err)
	}
}

// Without telemetry what was typed counts, and what was not typed is asked for.
func TestTypedFiguresStandForTelemetry(t *testing.T) {
	b := onBench(5)
	b.mute = true
	b.tare()
	b.mark(Mark{What: Direct, Doubt: 0.02})
	b.lever = 1
	for _, u := range []float64{0.3, 0.6, 1} {
		b.hold(u, 0, 4*second)
		m, ours, err := ParseMark("stand row; hold 3 s; output 60 %; current 12.5 A; voltage 22.2 V")
		if !ours || err != nil {
			t.Fatal(err)
		}
		if m.Output = u; u == 1 {
			m.Current = math.NaN()
		}
		b.mark(m)
	}
	got, err := take(&b.seen)
	if err != nil || len(got.Rows) != 2 || got.Rows[1].Power.Value != 12.5*22.2 || !strings.Contains(strings.Join(got.Notes, "\n"), "no current is known") {
		t.Errorf("%v %+v", err, got)
	}
}

// What cannot be is told with its place and its mend.
func TestRunsThatCannotBe(t *testing.T) {
	for _, row := range []struct {
		name string
		do   func(b *bench)
		want string
	}{
		{"no tare", func(b *bench) { b.row(0.5) }, "no tare counts"},
		{"no lever", func(b *bench) { b.tare(); b.row(0.5) }, "nothing tells the lever"},
		{"the propeller turned in the tare", func(b *bench) { b.hold(0.2, 0, 4*second); b.mark(Mark{What: Tare, Hold: 3 * second}); b.row(0.5) }, "the propeller turned (1440 rpm)"},
		{"a hand on the lever in the tare", func(b *bench) {
			b.hold(0, 0, 2*second)
			b.hold(0, 0.2, 2*second)
			b.mark(Mark{What: Tare, Hold: 3 * second})
		}, "something still moved"},
		{"a mass that was just hung", func(b *bench) {
			b.tare()
			b.hold(0, 0, second)
			b.hold(0, 2, 2*second)
			b.mark(Mark{What: Hung, Hold: 3 * second, Mass: 2, Doubt: 0.01})
		}, "let it come to rest"},
		{"the mass pulls the other way", func(b *bench) { b.tare(); b.weigh(-1, 1, 0.01); b.row(0.5) }, "hang it where the motor pulls"},
		{"a mass in grams typed as kilograms", func(b *bench) { b.tare(); b.weigh(0.5, 500, 1); b.row(0.5) }, "which no lever is"},
		{"no readings", func(b *bench) { b.now += 10 * second; b.mark(Mark{What: Tare, Hold: 3 * second}) }, "the load cell told 0 values"},
		{"no rows", func(b *bench) { b.tare(); b.weigh(1, 1, 0.01) }, "no output that was held counts"},
		{"the output moves", func(b *bench) {
			b.tare()
			b.weigh(1, 1, 0.01)
			b.hold(0.4, 0, 2*second)
			b.hold(0.5, 0, 2*second)
			m := NewMark(Row)
			m.Hold = 3 * second
			b.mark(m)
		}, "the output moved from 40 % to 50 %"},
		{"no power", func(b *bench) { b.tare(); b.weigh(1, 1, 0.01); b.row(0) }, "the motor stood"},
		{"the power went off", func(b *bench) {
			b.tare()
			b.weigh(1, 1, 0.01)
			b.row(0.5)
			b.seen.Speed[len(b.seen.Speed)-1].Value = 30
			b.seen.Marks[len(b.seen.Marks)-1].At = b.now
		}, "the speed went from 3600 to 1800 rpm"},
		{"the motor pushes", func(b *bench) { b.tare(); b.weigh(1, 1, 0.01); b.lever = -2; b.row(0.5) }, "pushes where it should pull"},
	} {
		b := onBench(7)
		row.do(b)
		if _, err := take(&b.seen); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: %v", row.name, err)
		}
	}
}

// Marks read back as they were stamped, and what is none is told.
func TestMarks(t *testing.T) {
	for _, text := range []string{
		"stand begin", "stand tare; hold 3 s", "stand hung; hold 3 s; mass 2 kg; doubt 0.005 kg", "stand direct; doubt 2 %",
		"stand arms; motor 0.3 m; scale 0.15 m; doubt 0.001 m; angle -5 deg; angle_doubt 2 deg", "stand row; hold 4 s; output 40 %; current 12.3 A; speed 8000 rpm", "stand done",
	} {
		m, ours, err := ParseMark(text)
		if !ours || err != nil || m.Text() != text {
			t.Errorf("%q: %v, %v, %q", text, ours, err, m.Text())
		}
	}
	for text, want := range map[string]string{
		"stand rwo; hold 4 s": "no mark of a stand", "stand row": "tells no hold", "stand row; hold 400 s": "a hold is from 1 s to 60 s", "stand row; hold 4 s; output 140 %": "from 0 % to 100 %",
		"stand hung; hold 3 s; mass 2 m; doubt 1 g": "m is a unit of length", "stand hung; hold 3 s; mass 2 kg": "tells no doubt", "stand row; hold 4 s; thrust 3 N": "nothing that a stand row tells", "stand direct; doubt -1 %": "from 0 %",
	} {
		if _, ours, err := ParseMark(text); !ours || err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, %v", text, ours, err)
		}
	}
	if _, ours, err := ParseMark("standing by"); ours || err != nil {
		t.Errorf("a remark of the crew: %v, %v", ours, err)
	}
}
