package main

import (
	"context"
	"fmt"

	"downhaul/interlock/day/panel"
)

type panelCmd struct {
	guardAt
	Listen string   `required:"" placeholder:"ADDRESS" help:"The one address and port to serve, such as 192.0.2.1:8080."`
	Name   []string `placeholder:"NAME" help:"What the page is called beside its address, such as pad.local. Any other name is refused."`
}

func (panelCmd) Help() string {
	return "Serves a page that shows what the running guard sees, for any browser that reaches the address. It only reads: nothing that comes over " +
		"the network can reset, start, declare or change anything, and the guard runs on without it."
}

func (c *panelCmd) Run(ctx context.Context, s *streams) error {
	socket, err := c.socket()
	if err != nil {
		return err
	}
	p, err := panel.Open(panel.Config{Listen: c.Listen, Ask: panel.FromSocket(socket), Pages: panel.MostPages, From: panel.MostFrom, Names: c.Name})
	if err != nil {
		return fmt.Errorf("panel: %w", err)
	}
	fmt.Fprintf(s.out, "Page at http://%s/ (read-only). Control-C ends it.\n", p.Address())
	return p.Serve(ctx)
}
