// Package daemon is a guard as a program: its command line, its output, signals,
// watchdogs and its end. cmd/downhauld is it on real pins, cmd/downhauld-bench
// with the virtual board.
package daemon
