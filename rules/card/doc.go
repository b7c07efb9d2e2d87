// Package card reads the test card, the third of the three files: the craft as
// it was weighed and measured, and the ground steps, inspections and ballast
// steps of its proof.
//
// It promises that a card is read whole or not at all, with every fault listed
// by line, key and mend, and that no need on it points at nothing: each names an
// earlier step.
//
// It judges no craft and reads no other file. That a step's own envelope is the
// one whose hash the card holds is for whoever opens that file to say.
package card
