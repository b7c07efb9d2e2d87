// Package limitproof keeps the dated results of proving the limits, and reports whether
// a guard's very files, under its very software, were proved.
//
// It promises that a proof counts for the bytes of one envelope and one pad
// file and no others, and that the newest proof of them is the one that counts.
// It proves nothing itself: that is package prove, which the daemon does not
// carry.
package limitproof
