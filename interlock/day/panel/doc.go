// Package panel is the page that a crew glances at: the state in one large
// sentence, why the guard is not ready, what tripped first, how far each limit
// is, the wind, the link and the packs.
//
// It is a process of its own. It reads the guard's local socket as any local
// user may, and serves what it read to a bounded number of browsers on the one
// address that it was given. It promises that nothing which comes over the
// network reaches the guard, that a page never shows old data as if it were
// new, and that no number of readers makes it ask the guard any faster.
//
// It never sends the guard anything but the question for its status, takes no
// input from a page, and loads nothing from elsewhere.
package panel
