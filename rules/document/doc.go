// Package document reads the project's TOML files strictly: it collects every
// fault of a file instead of stopping at the first, names the line of each, and
// refuses keys that nobody asked for.
//
// It promises: each fault carries file, line, key, what is wrong, what was
// found and how to mend it; the same text gives the same faults in the same
// order; no text makes it panic. It opens no file, guesses no missing value and
// never changes what it was given.
package document
