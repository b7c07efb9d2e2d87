package telemetry

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/bluenviron/gomavlib/v3/pkg/message"
	"github.com/bluenviron/gomavlib/v3/pkg/x25"
)

// libraryLayout is a message on the wire, worked out from the library's struct.
type libraryLayout struct {
	layout
	base int  // bytes without extension fields: the exact length in version 1
	full int  // bytes with them: the longest payload this edition knows
	seed byte // CRC_EXTRA
}

// formalTypes are the names that the checksum seed is worked out from.
var formalTypes = map[number]string{char: "char", u8: "uint8_t", i8: "int8_t", u16: "uint16_t", i16: "int16_t",
	u32: "uint32_t", i32: "int32_t", u64: "uint64_t", i64: "int64_t", f32: "float", f64: "double"}

// messageRelayStatus is RELAY_STATUS, which the library's edition lacks. The
// field list is from memory; that the seed worked out of it is the published
// one (199, c_library_v2 headers) shows that it is right.
type messageRelayStatus struct {
	TimeBootMs uint32
	On         uint16
	Present    uint16
}

// GetID is the message's id.
func (*messageRelayStatus) GetID() uint32 { return 376 }

// fromLibrary works a message's layout out of its struct: fields by falling
// native size, equal sizes in the order of the definition, extensions after
// them as they stand (MAVLink guide, "Field Reordering"). The seed is the
// guide's CRC_EXTRA.
func fromLibrary(m message.Message) (libraryLayout, error) {
	t := reflect.TypeOf(m).Elem()
	bare, ok := strings.CutPrefix(t.Name(), "Message")
	if !ok {
		bare, ok = strings.CutPrefix(t.Name(), "message") // one of our own
	}
	if !ok {
		return libraryLayout{}, fmt.Errorf("message struct %s: expected a name that starts with Message", t.Name())
	}
	l := libraryLayout{layout: layout{id: m.GetID(), name: strings.ToUpper(formalName(bare))}}
	for i := range t.NumField() {
		p, err := libraryPlace(t.Field(i))
		if err != nil {
			return libraryLayout{}, fmt.Errorf("message %s: %w", l.name, err)
		}
		l.places = append(l.places, p)
	}
	slices.SortStableFunc(l.places, func(a, b place) int {
		switch {
		case a.extension != b.extension:
			if a.extension {
				return 1
			}
			return -1
		case a.extension:
			return 0
		}
		return numberRow[b.typ].size - numberRow[a.typ].size
	})
	sum := x25.New()
	sum.Write([]byte(l.name + " "))
	for i := range l.places {
		p := &l.places[i]
		p.offset = l.full
		l.full += p.size()
		if p.extension {
			continue
		}
		l.base = l.full
		sum.Write([]byte(formalTypes[p.typ] + " " + p.name + " "))
		if p.count > 0 {
			sum.Write([]byte{byte(p.count)})
		}
	}
	if l.full > 255 {
		return libraryLayout{}, fmt.Errorf("message %s: expected at most 255 bytes, got %d", l.name, l.full)
	}
	crc := sum.Sum16()
	l.seed = byte(crc) ^ byte(crc>>8)
	return l, nil
}

// libraryPlace reads one struct field.
func libraryPlace(f reflect.StructField) (place, error) {
	p := place{name: f.Tag.Get("mavname"), extension: f.Tag.Get("mavext") == "true"}
	if p.name == "" {
		p.name = formalName(f.Name)
	}
	t := f.Type
	if t.Kind() == reflect.Array {
		p.count, t = t.Len(), t.Elem()
	}
	name := t.Kind().String()
	if enum := f.Tag.Get("mavenum"); enum != "" {
		name = enum
	}
	switch name {
	case "uint8":
		p.typ = u8
	case "int8":
		p.typ = i8
	case "uint16":
		p.typ = u16
	case "int16":
		p.typ = i16
	case "uint32":
		p.typ = u32
	case "int32":
		p.typ = i32
	case "uint64":
		p.typ = u64
	case "int64":
		p.typ = i64
	case "float32":
		p.typ = f32
	case "float64":
		p.typ = f64
	case "string":
		p.typ, p.count = char, 1
		if tag := f.Tag.Get("mavlen"); tag != "" {
			n, err := strconv.Atoi(tag)
			if err != nil || n < 1 || n > 255 {
				return place{}, fmt.Errorf("field %s: expected a text length of 1 to 255, got %q", f.Name, tag)
			}
			p.count = n
		}
	default:
		return place{}, fmt.Errorf("field %s: expected a number or text, got %s", f.Name, name)
	}
	return p, nil
}

// formalName turns a Go name into the standard's lower-case name.
func formalName(s string) string {
	var b strings.Builder
	for i := range len(s) {
		c := s[i]
		if c >= 'A' && c <= 'Z' {
			if i > 0 {
				b.WriteByte('_')
			}
			c += 'a' - 'A'
		}
		b.WriteByte(c)
	}
	return b.String()
}
