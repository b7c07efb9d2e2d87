// Package limits holds the channels and the rules in time: what each channel read
// last and how fresh that is, what is derived from it, and which rules ask for a
// stop or a caution. Demands come up through Above; nothing is asked of it but
// whether a phase is on. It knows no state of the latch, no input line, no chain.
//
// It promises: a demand comes up in the very Take or Fire in which it becomes due;
// missing is violating, and silence clears nothing; a doubtful value may count
// against a limit and ends nothing; NaN, an implausible and a frozen value are
// missing. It trusts: the envelope was checked, time does not run back, Fire is
// called at every instant that Wake named or Due gives, and calculators tell their
// next deadline. What they give is checked as any sample is.
package limits
