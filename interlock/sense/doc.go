// Package sense refuses files that cannot be meant: each of their numbers against
// what such a number can be, and the three files against each other. Readers see one
// key at a time; a limit on the wrong side, a thrust that lifts nothing or a ceiling
// that trips on the pad reads well and protects nobody.
//
// It promises that check, prove, new and a guard's start refuse the same files, since
// all of them ask here, and that what it holds stands in its tables, which the manual
// prints. What only may be wrong is for package hazard, which warns.
package sense
