package telemetry

import (
	"downhaul/interlock"
	"downhaul/rules"
)

// Ours: no lithium cell is charged above 4.35 V (4.20 V in the makers' sheets
// of the usual kind), so a "cell" above this is a whole pack in the field of
// its first cell.
const cellCeiling = 4500 // mV

// cellField and extField are the lengths of voltages and voltages_ext.
const (
	cellField = 10
	extField  = 4
)

// appendCells makes voltage, lowest cell or spread of a battery's cells.
//
// MAVLink common.xml, BATTERY_STATUS: an unused cell is 65535 in the first ten
// and 0 in the four of the extension; a battery whose cells are not known has
// its whole voltage in cell 0; above 65534 mV cell 0 is 65534 and the rest is
// in the next. So the sum is the voltage in every case, but when only cell 0
// is filled, or one is above any cell's voltage, no single cell is known. To
// take such a number for the lowest cell would hide an empty pack.
func (o *op) appendCells(dst []interlock.Input, b []byte, first bool, declared int) []interlock.Input {
	var sum uint32
	lowest, highest := uint16(cellUnused), uint16(0)
	n, last := 0, -1
	take := func(i int, v uint16) {
		sum += uint32(v)
		lowest, highest = min(lowest, v), max(highest, v)
		n, last = n+1, i
	}
	for i := range cellField {
		if v := u16At(b, o.at+2*uint16(i)); v != cellUnused {
			take(i, v)
		}
	}
	if !first {
		for i := range extField {
			if v := u16At(b, o.further[0]+2*uint16(i)); v != 0 && v != cellUnused {
				take(cellField+i, v)
			}
		}
	}
	whole := highest > cellCeiling || n == 1 && last == 0 && declared != 1
	switch {
	case n == 0:
		return o.missing(dst, rules.Sentinel)
	case !whole && (last+1 != n || declared > 0 && n != declared):
		// A cell in the middle is not told of, or there are more or fewer
		// than the pack has: neither sum nor lowest is to be trusted.
		return o.missing(dst, rules.Disagreement)
	case o.form == packVoltage:
		return o.good(dst, float64(sum)/o.div)
	case whole:
		return o.missing(dst, rules.WholePack)
	case o.form == lowestCell:
		return o.good(dst, float64(lowest)/o.div)
	case float64(lowest)/o.div < lowestCellLow:
		// A cell that is not measured reads 0 or a little more: the spread to
		// it is no spread.
		return o.missing(dst, rules.Implausible)
	}
	return o.good(dst, float64(highest-lowest)/o.div)
}

// lowestCellLow is the least plausible voltage of a cell.
var lowestCellLow = rules.Pack1LowestCell.Channel().Low
