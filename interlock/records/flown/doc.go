// Package flown keeps what the reports found of the steps that flew: steady
// hovers, and the lift to spare that is forecast for the next steps. A guard
// reads it before a start, where the test card asks for it.
//
// It promises that a record is whole or not there, that the newest forecast of a
// craft is the one that counts, and that a forecast that leaves out a flight
// since is found. It finds nothing itself: that is package report, which the
// daemon does not carry.
package flown
