// Command downhaul is the crew's tool: it makes and checks the three files,
// listens to a link, plays recordings back, and reads what the guard left.
//
// It promises exit code 0 when nothing was found, 1 when something was found
// (a fault in a file, a trip, a broken chain) and 2 when it could not do what
// was asked. Results go to standard output, errors to standard error, each as
// the error and then a hint. Reports take --json: one object with a schema
// version. It never closes a relay, never resets or starts a guard, and never
// overwrites a file that it was not told to write.
package main
