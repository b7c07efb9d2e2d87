// Package stopping is the stop: what happens between the relay's opening and
// rotors that stand. It measures openings under the guard, keeps them on record,
// and says what they prove.
package stopping
