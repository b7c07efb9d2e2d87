// Package numbered keeps numbered, dated records, each a JSON file of one folder,
// such as those of commissioning and of the proof of the limits.
//
// It promises that a record is whole or not there, that its number is higher
// than any before it whatever the clock said, and that a byte that was changed
// is found. It finds accident, not a forger, who can hash as well. It knows
// nothing of what the records say.
package numbered
