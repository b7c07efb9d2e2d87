package main

import (
	"bufio"
	"fmt"
	"io"
	"strings"
)

// asker puts questions to a person, one line each. At the end of the input
// every question left takes its default, and the answer is shown; one whose answer was
// refused takes none.
type asker struct {
	in    *bufio.Scanner
	out   io.Writer
	echo  bool // nobody typed the answer onto the screen
	ended bool
	asked int
}

func newAsker(in io.Reader, out io.Writer) *asker {
	return &asker{in: bufio.NewScanner(in), out: out, echo: !onTerminal(in)}
}

// ask puts the question until accept takes the answer. An empty answer is the
// default, which accept must take.
func (a *asker) ask(question, byDefault string, accept func(string) error) error {
	a.asked++
	var refused error // of the last answer
	for {
		wrap(a.out, fmt.Sprintf("%2d. ", a.asked), "    ", question)
		fmt.Fprintf(a.out, "    [%s] ", byDefault)
		answer := ""
		if !a.ended && a.in.Scan() {
			answer = strings.TrimSpace(a.in.Text())
			if a.echo {
				fmt.Fprintln(a.out, printable(answer))
			}
		} else {
			if err := a.in.Err(); err != nil {
				return fmt.Errorf("read the answer: %w", err)
			}
			a.ended = true
			fmt.Fprintln(a.out)
			if refused != nil { // a default must not stand for an answer that was given
				return fmt.Errorf("question %d: %w", a.asked, refused)
			}
		}
		if answer == "" {
			answer = byDefault
		}
		err := accept(answer)
		if refused = err; err == nil {
			return nil
		}
		if a.ended {
			return fmt.Errorf("question %d: %w", a.asked, err)
		}
		wrap(a.out, "    ", "    ", err.Error())
	}
}
