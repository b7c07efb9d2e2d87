package main

import (
	"fmt"
	"math"
	"strconv"

	"downhaul/interlock/before/hazard"
	"downhaul/rules"
	"downhaul/rules/card"
)

// motorRow is one motor as check lays it out.
type motorRow struct {
	Number int     `json:"number"`
	Ahead  float64 `json:"ahead_m"`
	Right  float64 `json:"right_m"`
	Arm    float64 `json:"arm_m"`
	// Bearing is from the nose, clockwise seen from above, rad; null in the middle.
	Bearing *float64  `json:"bearing_rad"`
	Spin    card.Spin `json:"spin"`
}

// middle is how near a motor stands in the middle, as a share of the longest
// arm: no lean shows it.
const middle = 0.02

func motorRows(c *card.Card) (rows []motorRow) {
	for _, p := range c.Motors.Places {
		row := motorRow{Number: p.Number, Ahead: p.Ahead, Right: p.Right, Arm: p.Arm(), Spin: p.Spin}
		if row.Arm > middle*hazard.LongestArm(&c.Motors) {
			b := math.Mod(math.Atan2(p.Right, p.Ahead)+2*math.Pi, 2*math.Pi)
			row.Bearing = &b
		}
		rows = append(rows, row)
	}
	return rows
}

// corners are the eight bearings that have a name, clockwise from the nose.
var corners = [...]string{"front", "front right", "right", "rear right", "rear", "rear left", "left", "front left"}

// motorsSay is where the motors stand, one line each.
func motorsSay(c *card.Card) (out []string) {
	turns := map[card.Spin]string{card.Clockwise: "clockwise", card.CounterClockwise: "counter-clockwise"}
	length := func(v float64) string { return c.Show(math.Round(v*1000)/1000, rules.Length) }
	for _, r := range motorRows(c) {
		where := "in the middle, so that no lean shows it"
		if r.Bearing != nil {
			deg := *r.Bearing * 180 / math.Pi
			where = fmt.Sprintf("%s, %s out at %.0f deg from the nose", corners[int(math.Round(deg/45))%len(corners)], length(r.Arm), deg)
		}
		text := fmt.Sprintf("Motor %d: %s, %s.", r.Number, where, turns[r.Spin])
		if r.Number > card.HeardOutputs {
			text += fmt.Sprintf(" Telemetry tells of outputs 1 to %d only: nobody sees this one.", card.HeardOutputs)
		}
		out = append(out, text)
	}
	return out
}

// The size of the sketch, in columns and lines from the middle. A letter is
// about twice as high as wide.
const (
	sketchWide = 16
	sketchHigh = 8
)

// sketch draws the motors from above, the nose up; nil where two would stand on
// each other's letters. Motors at one place share it.
func sketch(c *card.Card) (lines []string) {
	m := &c.Motors
	most := 0.0
	for _, p := range m.Places {
		most = max(most, math.Abs(p.Ahead), math.Abs(p.Right))
	}
	if most == 0 {
		return nil
	}
	const width = 2*sketchWide + 8
	grid := make([][]byte, 2*sketchHigh+1)
	for i := range grid {
		grid[i] = []byte(fmt.Sprintf("%*s", width, ""))
	}
	put := func(ahead, right float64, label string) bool {
		line := sketchHigh - int(math.Round(ahead/most*sketchHigh))
		from := width/2 + int(math.Round(right/most*sketchWide)) - len(label)/2
		if from < 0 || from+len(label) > width {
			return false
		}
		for k := max(from-1, 0); k < min(from+len(label)+1, width); k++ {
			if grid[line][k] != ' ' {
				return false
			}
		}
		copy(grid[line][from:], label)
		return true
	}
	taken := make([]bool, len(m.Places))
	for i, p := range m.Places {
		if taken[i] {
			continue
		}
		label := strconv.Itoa(p.Number)
		for j := i + 1; j < len(m.Places); j++ {
			if !taken[j] && hazard.Together(m, p, m.Places[j]) {
				taken[j], label = true, label+"/"+strconv.Itoa(m.Places[j].Number)
			}
		}
		if !put(p.Ahead, p.Right, label) {
			return nil
		}
	}
	put(0, 0, "+")
	lines = append(lines, fmt.Sprintf("%*s", width/2+2, "nose"))
	for _, row := range grid {
		lines = append(lines, string(row))
	}
	return lines
}
