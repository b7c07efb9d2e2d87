// Command manual writes the manual pages that the packages carry. What a reader
// could not trust if it were written by hand comes from the program itself:
// commands and flags from the tool's own help, the keys of the three files from
// asking their readers about every word that stands in their sources. Words for
// people are in words/.
//
// It promises: no page names a key or a command that is not there, and none is
// left out. It runs when a package is built, and never on a board.
package main
