package telemetry

import (
	"fmt"
	"strconv"
	"strings"
)

// number is the type of a field on the wire.
type number uint8

// The wire types.
const (
	char number = iota
	u8
	i8
	u16
	i16
	u32
	i32
	u64
	i64
	f32
	f64
)

// numberRow gives each wire type its size and its name in the definitions.
var numberRow = [...]struct {
	size int
	name string
}{
	char: {1, "char"}, u8: {1, "u8"}, i8: {1, "i8"}, u16: {2, "u16"}, i16: {2, "i16"},
	u32: {4, "u32"}, i32: {4, "i32"}, u64: {8, "u64"}, i64: {8, "i64"}, f32: {4, "f32"}, f64: {8, "f64"},
}

// place is where a field lies in the payload.
type place struct {
	name      string // in the standard
	typ       number
	count     int // elements of an array; 0 for a single value
	offset    int
	extension bool
}

// size is the number of bytes that the field takes.
func (p place) size() int { return numberRow[p.typ].size * max(p.count, 1) }

// layout is a message on the wire.
type layout struct {
	id     uint32
	name   string // as the standard writes it
	places []place
}

// layoutOf reads a definition such as "SYSTEM_TIME 2: u64 time_unix_usec, u32
// time_boot_ms": fields in their order on the wire, extensions behind a semicolon.
func layoutOf(definition string) (layout, error) {
	head, fields, _ := strings.Cut(definition, ":")
	name, id, _ := strings.Cut(head, " ")
	n, err := strconv.ParseUint(id, 10, 24)
	if err != nil {
		return layout{}, fmt.Errorf("message %s: %w", name, err)
	}
	l := layout{id: uint32(n), name: name}
	own, further, _ := strings.Cut(fields, ";")
	at := 0
	for i, list := range []string{own, further} {
		for field := range strings.SplitSeq(list, ",") {
			if field == "" {
				continue
			}
			p, err := placeOf(field)
			if err != nil {
				return layout{}, fmt.Errorf("message %s: %w", name, err)
			}
			p.offset, p.extension = at, i > 0
			at += p.size()
			l.places = append(l.places, p)
		}
	}
	return l, nil
}

// placeOf reads one field, such as "u16 voltages[10]".
func placeOf(field string) (p place, err error) {
	kind, name, _ := strings.Cut(strings.TrimSpace(field), " ")
	name, count, isArray := strings.Cut(strings.TrimSuffix(name, "]"), "[")
	p.name = name
	if isArray {
		if p.count, err = strconv.Atoi(count); err != nil {
			return p, fmt.Errorf("field %s: %w", name, err)
		}
	}
	for t := range numberRow {
		if numberRow[t].name == kind {
			p.typ = number(t)
			return p, nil
		}
	}
	return p, fmt.Errorf("field %s: no type is called %q", name, kind)
}

// find looks a field up by its name.
func (l *layout) find(name string) (place, bool) {
	for _, p := range l.places {
		if p.name == name {
			return p, true
		}
	}
	return place{}, false
}
