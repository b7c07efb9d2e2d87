// Package session is one session's folder: session.json, the three files as
// they were read, the trip log and the recording.
//
// It promises: a folder is only begun where there is room to write, and by one
// guard at a time; what is begun is on the disk, names included, before Create
// returns; and how the session before ended is told without trusting the wall
// clock.
//
// It never changes an earlier session and never deletes one.
package session
