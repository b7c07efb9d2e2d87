package document

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/BurntSushi/toml"
)

// noText is the fault of what is no text that can be read, empty where it may be.
func noText(s string) Fault {
	begins, zeros := fmt.Sprintf("%q", s[:min(len(s), 8)]), strings.Count(s, "\x00")
	switch at := strings.IndexByte(s, 0); {
	case strings.HasPrefix(s, "\xff\xfe\x00\x00") || strings.HasPrefix(s, "\x00\x00\xfe\xff"):
		return Fault{Line: 1, Wrong: "not UTF-8 text, but UTF-32 by its first bytes", Got: begins, Mend: "save it as UTF-8"}
	case strings.HasPrefix(s, "\xfe\xff") || strings.HasPrefix(s, "\xff\xfe"):
		// The library takes these marks off in silence and reads on.
		return Fault{Line: 1, Wrong: "not UTF-8 text, but UTF-16 by its first bytes", Got: begins, Mend: "save it as UTF-8"}
	case zeros > 0 && zeros == len(s):
		return Fault{Line: 1, Wrong: "no text: nothing but bytes that are 0 (NUL), as a power cut leaves a file that was being written", Got: fmt.Sprintf("%d bytes", len(s)), Mend: "take it from a copy"}
	case at >= 0 && at < 4 && zeros*10 > len(s)*6:
		return Fault{Line: 1, Wrong: "not UTF-8 text, but UTF-32: three of four bytes are 0", Got: begins, Mend: "save it as UTF-8"}
	case at >= 0 && at < 2 && zeros*5 > len(s)*2:
		return Fault{Line: 1, Wrong: "not UTF-8 text, but UTF-16: every second byte is 0", Got: begins, Mend: "save it as UTF-8"}
	case at >= 0:
		return Fault{Line: lineAt(s, at), Wrong: "no text: it holds bytes that are 0 (NUL)", Got: fmt.Sprintf("the first at byte %d", at+1),
			Mend: "name the right file, or take them out in an editor for plain text"}
	case !utf8.ValidString(s):
		at = strings.IndexRune(s, utf8.RuneError) // the first byte that is none
		return Fault{Line: lineAt(s, at), Wrong: "not UTF-8 text, but of an older encoding such as Windows-1252 or Latin-1, or no text", Got: fmt.Sprintf("byte 0x%02x", s[at]), Mend: "save it as UTF-8"}
	case strings.Contains(s, "\r") && !strings.Contains(s, "\n"):
		return Fault{Line: 1, Wrong: "all on one line: its lines end in a carriage return alone", Mend: "save it with line ends of UNIX or Windows (LF or CR LF)"}
	case mergeMark.MatchString(s): // nobody has said which of the two counts, so neither is read
		var lines []string
		for _, at := range mergeMark.FindAllStringIndex(s, mostSyntax) {
			lines = append(lines, strconv.Itoa(lineAt(s, at[0])))
		}
		at := mergeMark.FindStringIndex(s)
		return Fault{Line: lineAt(s, at[0]), Wrong: "a merge of two versions that nobody finished", Got: Quote(strings.TrimSpace(s[at[0]:at[1]])), Mend: "keep one of the two, and take out the marks: lines " + List(lines, "and")}
	}
	return Fault{}
}

// lineAt is the line, from 1, of a byte.
func lineAt(s string, at int) int { return 1 + strings.Count(s[:at], "\n") }

var (
	mergeMark = regexp.MustCompile(`(?m)^(?:[<>|]{7}(?: .*)?|={7})\r?$`)
	unquoted  = regexp.MustCompile(`^\s*([A-Za-z0-9_."-]+)\s*=\s*([-+]?[0-9][^"'#]*?)\s*(#.*)?$`)
	bareWord  = regexp.MustCompile(`^\s*([A-Za-z0-9_."-]+)\s*=\s*([A-Za-z][^"'#=]*?)\s*(#.*)?$`)
	endless   = regexp.MustCompile(`unexpected EOF; expected .('''|""").`)
)

// leaveOut reports the syntax fault, blanks its line and says whether reading
// on makes sense.
func (d *Document) leaveOut(lines []string, err error) bool {
	line, message := 1, strings.TrimSuffix(err.Error(), ".")
	read := strings.TrimPrefix(strings.Join(lines, ""), "\ufeff")
	var pe toml.ParseError
	if errors.As(err, &pe) {
		// The library's line is one too many where a line ends too early; its
		// offset is right.
		line = lineAt(read, min(max(pe.Position.Start, 0), len(read)))
		message = strings.TrimSuffix(pe.Message, ".")
	}
	open := endless.FindStringSubmatch(message)
	if open != nil { // the last one opens it: any later one would have closed it
		line = lineAt(read, max(0, strings.LastIndex(read, open[1])))
	}
	for line > 1 && (line > len(lines) || strings.TrimSpace(lines[line-1]) == "") {
		line--
	}
	bad := strings.TrimRight(lines[line-1], "\r\n")
	f := Fault{File: d.file, Line: line, Wrong: "not TOML: " + oneLine(message), Got: Quote(strings.TrimSpace(bad))}
	word := bareWord.FindStringSubmatch(bad)
	switch m := unquoted.FindStringSubmatch(bad); {
	case open != nil:
		f.Wrong, f.Mend = "a text in three quotes that never ends", "close it with "+open[1]
	case strings.Contains(message, "already been defined") || strings.Contains(message, "already created"):
		f.Mend = "keep one of the two"
	case m != nil:
		f.Key = m[1]
		f.Mend = "write a quantity in quotes: " + m[1] + " = " + strconv.Quote(m[2])
	case word != nil:
		f.Mend = "write text in quotes: " + word[1] + " = " + strconv.Quote(word[2]) + ", a flag as true or false"
	case strings.HasSuffix(message, "but got ':' instead"):
		f.Mend = "write = in place of the colon"
	default:
		f.Mend = `write key = value, text and quantities in "quotes"`
	}
	first := func(g Fault) string { before, _, _ := strings.Cut(g.Wrong, "; so line"); return before + g.Key }
	if i := slices.IndexFunc(d.faults, func(g Fault) bool { return f.Key == "" && first(g) == f.Wrong }); i >= 0 {
		d.faults[i].Wrong += fmt.Sprintf("; so line %d", line) // one slip, made again
	} else {
		d.faults = append(d.faults, f)
	}
	trimmed := strings.TrimSpace(bad)
	if trimmed == "" || trimmed[0] == '[' || strings.Contains(bad, `"""`) || strings.Contains(bad, `'''`) {
		return false
	}
	lines[line-1] = lines[line-1][len(bad):]
	return true
}
