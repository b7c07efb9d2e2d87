// Package deploy holds what brings the guard onto a board: service units,
// packages, device rules, manual pages, example files and wiring notes. It has
// no code; its tests hold all of that against the programs.
//
// It promises: installing starts nothing; neither an upgrade nor a removal
// touches a file of the crew's or a record, or goes on while the relay is
// closed; a purge keeps the records and says so; the manual names every key and
// command there is and no other. It never runs as part of the guard.
package deploy
