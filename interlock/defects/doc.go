// Package defects measures the tests of the core: it makes the core wrong in
// ways that somebody could, one at a time and never on disk, and sees whether a
// test notices. There is no code here, only that measurement.
//
// It promises that every seeded defect still fits the source (that is tested
// with everything else), and that a defect counts as caught only when an
// assertion failed; a program that does not build, hangs or crashes is told
// apart. What the digest of all decisions would notice does not count: it
// notices every change, and says of none that it is wrong.
//
// The whole takes many minutes and runs only on request; see the flag -score.
package defects
