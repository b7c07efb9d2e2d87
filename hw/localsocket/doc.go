// Package localsocket is a Unix-domain socket that speaks one JSON object a
// line: the way in which another process on the same machine asks the guard or
// works the virtual board.
//
// It promises bounds: clients, line length, requests a second, and how long a
// client may leave a reply unread. A client that floods, hangs or never reads
// costs the process a goroutine and nothing else. It never listens on a
// network.
package localsocket
