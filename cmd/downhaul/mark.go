package main

import (
	"fmt"
	"strings"

	"downhaul/interlock/guard"
)

type markCmd struct {
	Socket string   `placeholder:"PATH" default:"/run/downhaul/guard.sock" help:"Socket of the guard, as the pad file names it (${default})."`
	Text   []string `arg:"" name:"text" help:"A few words, such as \"hum from motor 3\"."`
}

func (markCmd) Help() string {
	return "Stamps \"look here\" with your words into the records of the running guard. It decides nothing."
}

func (c *markCmd) Run(s *streams) error {
	if _, err := guard.Ask(c.Socket, guard.Request{Do: "mark", Text: strings.Join(c.Text, " ")}); err != nil {
		return hint(err, "--socket names another guard; a mark is one line of at most 200 characters")
	}
	fmt.Fprintln(s.out, "Marked.")
	return nil
}
