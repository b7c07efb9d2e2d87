// Package bench runs the very core that guards over recordings: replay. It
// holds no second copy of any rule.
//
// It promises that a replayed session decides what the live one decided, byte
// for byte, or says where and why that cannot be claimed. It writes nothing.
package bench
