package main

import (
	"fmt"
	"strings"

	"downhaul/interlock/day/answers"
)

type markCmd struct {
	guardAt
	Text []string `arg:"" name:"text" help:"A few words, such as \"hum from motor 3\"."`
}

func (markCmd) Help() string {
	return "Stamps \"look here\" with your words into the records of the running guard. It decides nothing."
}

func (c *markCmd) Run(s *streams) error {
	if _, err := c.ask(answers.Request{Do: "mark", Text: strings.Join(c.Text, " ")}); err != nil {
		return fmt.Errorf("mark: %w", err)
	}
	fmt.Fprintln(s.out, "Marked.")
	return nil
}
