// Package standtable reads and writes the table of a thrust stand, and judges its rows:
// what one motor with its propeller gave at each output.
//
// A table is a plain CSV file (RFC 4180) with its units in the head of each column, and
// above it lines "# key = value" that say what ran, in which air, and how far the whole
// may be off. A maker's or a friend's table has the same form.
//
// It promises: every fault of a file at once, with line, column, what was found and the
// mend; a value that was not measured is told apart from zero; rows that beat momentum
// theory are refused; a supply that gives way is told apart from a propeller that stops
// obeying its own law.
//
// It never does: guess a unit, a diameter or a doubt; correct a row.
package standtable
