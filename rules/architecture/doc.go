// Package architecture holds the rules of the house as tests: who may import whom,
// what the pure packages may not touch, that the compiled core holds no fused
// multiply-add, and how the tree must look.
//
// It promises that each rule is checked against the sources as they are, with
// the reason beside the rule, and that each scan is itself shown to find what
// it looks for. Outside tests it offers only Need and Want, the two ways a
// test may be left out. No program is ever linked against it.
package architecture
