// Package derived works channels out from other channels: gusts, the predicted
// apex, pack resistance and the like, one file each.
//
// A calculator is a pure machine: what it gives depends only on the readings it
// was shown and their times. Arithmetic follows one rule: every product is
// written float64(x*y) before it meets + or −, and from package math only
// functions that give the same bits on every architecture are used.
package derived
