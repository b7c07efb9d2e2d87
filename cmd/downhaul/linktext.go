package main

import (
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"

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
	return c, checkLink(c)
}

// Ours: a serial line slower than the first carries no useful telemetry; the
// last is past what USB adapters do.
const slowestBaud, fastestBaud = 1200, 12_000_000

// plainAddress reports whether an address has the letters of a host, an address and the
// name of an interface behind a % alone (RFC 3986, RFC 6874): others can be written, and
// not read back.
func plainAddress(address string) bool {
	const letters = "0123456789abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ.:-_[]%"
	return strings.Count(address, "%") <= 1 && strings.IndexFunc(address, func(r rune) bool { return !strings.ContainsRune(letters, r) }) < 0
}

// checkLink refuses what is no link.
func checkLink(c link.Config) error {
	if c.Kind != link.Serial && !plainAddress(c.Address) {
		return fmt.Errorf("link: want a host or address of plain letters, figures and . : - _ (got %q)", c.Address)
	}
	switch c.Kind {
	case link.UDP:
		if _, err := netip.ParseAddrPort(c.Address); err != nil {
			return fmt.Errorf("link: want this computer's address in figures and a port for udp (got %q); 0.0.0.0:40123 listens on every address", c.Address)
		}
	case link.TCP:
		host, port, err := net.SplitHostPort(c.Address)
		n, perr := strconv.ParseUint(port, 10, 16)
		if err != nil || host == "" || perr != nil || n == 0 {
			return fmt.Errorf("link: want the server's host and a port from 1 to 65535 for tcp (got %q)", c.Address)
		}
	case link.Serial:
		if !filepath.IsAbs(c.Address) || strings.ContainsAny(c.Address, "?#") {
			return fmt.Errorf("link: want the full path of a serial device (got %q); look in /dev/serial/by-id", c.Address)
		}
		if c.Baud < slowestBaud || c.Baud > fastestBaud {
			return fmt.Errorf("link: want a baud rate from %d to %d (got %d); take the one the radio is set to", slowestBaud, fastestBaud, c.Baud)
		}
	default:
		return fmt.Errorf("link: want udp, tcp or serial (got kind %d)", c.Kind)
	}
	return nil
}
