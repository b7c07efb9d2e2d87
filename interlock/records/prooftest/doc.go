// Package prooftest has the proof tests of a pad, their dated records, and which
// are due. Package commission makes the records; a guard starts on them.
//
// It promises: nothing counts as passed that was skipped, failed or broken off,
// and the newest run that passed or failed a test is the one that counts.
package prooftest
