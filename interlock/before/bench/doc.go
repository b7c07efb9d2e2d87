// Package bench runs the very core that guards over recordings: replay, compare
// and sweep. It holds no second copy of any rule.
//
// It promises that a replayed session decides what the live one decided, byte
// for byte, or says where and why that cannot be claimed; that engines side by
// side decide what each would decide alone; and that its memory does not grow
// with the length of a recording, but for the list of what happened, which is
// bounded. It writes nothing.
package bench
