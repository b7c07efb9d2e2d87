// Package hazard says what limits are worth on one pad, in metres and seconds,
// before the day: how long each rule may take, what the craft does in that time,
// what a rope then bears, how far people must stay away, how much lift a test
// card has left, and which limits cannot do their job.
//
// It promises that every figure follows from the three files and from what was
// measured on that pad: what nobody stated is named as missing, never guessed,
// and nothing that an emulator or a virtual board gave enters a budget. Formulas
// stand beside their sources. Where drag or weight is left out, it says to which
// side that errs.
//
// It decides nothing while power is on, and a figure of it is no permission:
// measure, and follow local codes and licensed practice.
package hazard
