package main

import (
	"fmt"
	"net/url"
	"strconv"

	"downhaul/interlock/day/telemetry/link"
)

// parseLink reads a link as people write it: udp://0.0.0.0:40123,
// tcp://192.0.2.1:40124 or serial:///dev/ttyUSB0?baud=57600.
func parseLink(text string) (link.Config, error) {
	const forms = "write udp://0.0.0.0:40123, tcp://192.0.2.1:40124 or serial:///dev/ttyUSB0?baud=57600"
	u, err := url.Parse(text)
	if err != nil || u.Scheme == "" {
		return link.Config{}, fmt.Errorf("link: not an address of a link (got %q); %s", text, forms)
	}
	var c link.Config
	switch u.Scheme {
	case "udp", "tcp":
		if u.Path != "" || u.RawQuery != "" || u.Fragment != "" || u.User != nil {
			return link.Config{}, fmt.Errorf("link: want only host and port after %s:// (got %q); %s", u.Scheme, text, forms)
		}
		c = link.Config{Kind: link.UDP, Address: u.Host}
		if u.Scheme == "tcp" {
			c.Kind = link.TCP
		}
	case "serial":
		c = link.Config{Kind: link.Serial, Address: u.Path}
		q := u.Query()
		baud, err := strconv.Atoi(q.Get("baud"))
		if err != nil || len(q) != 1 || u.Host != "" {
			return link.Config{}, fmt.Errorf("link: want a device path and its baud rate (got %q); %s", text, forms)
		}
		c.Baud = baud
	default:
		return link.Config{}, fmt.Errorf("link: want udp, tcp or serial (got %q); %s", u.Scheme, forms)
	}
	return c, c.Check()
}
