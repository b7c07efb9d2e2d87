package main

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
)

var meant = regexp.MustCompile(`^did you mean "(\w+)"`)

// oneEach returns, once each, what is one slip: a key that is misspelt and so missing, a step of
// another kind than its keys, and the same fault of several keys or lines.
func oneEach(all []fault) (out []fault) {
	for _, x := range all {
		missing := slices.ContainsFunc(all, func(y fault) bool {
			m := meant.FindStringSubmatch(y.Mend)
			return m != nil && y.Wrong == "unknown key" && sectionOf(y.Key) == sectionOf(x.Key) && x.Key != y.Key && strings.HasSuffix("."+x.Key, "."+m[1])
		})
		if !missing && !after(x, all) {
			out = append(out, x)
		}
	}
	return sameFaults(ofAnotherKind(out))
}

// after reports whether a fault goes with another one: a caution with its limit, what
// must hold the craft with the thrust of its motors.
func after(x fault, all []fault) bool {
	return slices.ContainsFunc(all, func(y fault) bool {
		limit := sectionOf(y.Key) == sectionOf(x.Key) && strings.HasPrefix(x.Wrong, "is not inside the limit") && slices.Contains([]string{"above", "below", "outside"}, y.Key[len(sectionOf(y.Key))+min(1, len(sectionOf(y.Key))):])
		return limit || strings.HasPrefix(x.Wrong, "is less than twice the full thrust") && strings.HasPrefix(y.Key, "motors.")
	})
}

// sectionOf is the path of a key without its last part.
func sectionOf(key string) string { return key[:max(0, strings.LastIndexByte(key, '.'))] }

// sameFaults joins faults of one kind in one section, or of one value in several places.
func sameFaults(all []fault) []fault {
	out := []fault{} // in JSON a list, if empty
	for _, x := range all {
		i := slices.IndexFunc(out, func(y fault) bool {
			inOne := sectionOf(x.Key) == sectionOf(y.Key) && (x.Mend == y.Mend || x.Line == y.Line || x.Got == y.Got || strings.HasPrefix(x.Wrong, "is less than"))
			wrong, _, _ := strings.Cut(y.Wrong, "; so ")
			return x.Wrong == wrong && x.Key != "" && x.Wrong != "unknown key" && (inOne || x.Got != "" && x.Got == y.Got && x.Mend == y.Mend && !strings.Contains(x.Wrong, "unit"))
		})
		if i < 0 {
			out = append(out, x)
			continue
		}
		also := x.Key
		if x.Line != out[i].Line {
			also = fmt.Sprintf("%s (line %d)", x.Key, x.Line)
		}
		out[i] = out[i].and("so " + also)
	}
	return out
}

// and adds what goes with a fault to its text.
func (f fault) and(text string) fault {
	if strings.Contains(f.Wrong, "; so ") {
		text = strings.TrimPrefix(text, "so ")
	}
	f.text = strings.Replace(f.text, f.Wrong, f.Wrong+"; "+text, 1)
	f.Wrong += "; " + text
	return f
}

var kinds = regexp.MustCompile(`kind = "(\w+)"(?: or "(\w+)")?`)

// ofAnotherKind joins the faults of a step whose keys are those of another kind.
func ofAnotherKind(all []fault) (out []fault) {
	counts := map[string]int{}
	for _, x := range all {
		for _, k := range kindsIn(x) {
			counts[sectionOf(x.Key)+" "+k]++
		}
	}
	first := map[string]int{}
	for _, x := range all {
		row, kind := sectionOf(x.Key), ""
		for _, k := range kindsIn(x) {
			if n := counts[row+" "+k]; n > 1 && n > counts[row+" "+kind] {
				kind = k
			}
		}
		if kind == "" || !strings.HasPrefix(row, "step[") {
			out = append(out, x)
			continue
		}
		last := strings.TrimPrefix(x.Key, row+".")
		at, found := first[row]
		if !found {
			first[row] = len(out)
			wrong := "the step has keys of another kind than its own"
			text := strings.Replace(x.text, x.Key+": "+x.Wrong, row+".kind: "+wrong+": "+last, 1)
			text = text[:len(text)-len(x.Mend)] + fmt.Sprintf("write kind = %q, or take them out", kind)
			out = append(out, fault{x.Line, row + ".kind", wrong + ": " + last, x.Got, fmt.Sprintf("write kind = %q, or take them out", kind), text})
			continue
		}
		f := &out[at]
		f.text = strings.Replace(f.text, f.Wrong, f.Wrong+", "+last, 1)
		f.Wrong += ", " + last
	}
	return out
}

// kindsIn are the kinds that the mend of a fault of a step names.
func kindsIn(x fault) (out []string) {
	if m := kinds.FindStringSubmatch(x.Mend); m != nil && x.Wrong != "missing" || m != nil && strings.HasSuffix(x.Key, ".ballast") {
		for _, k := range m[1:] {
			if k != "" {
				out = append(out, k)
			}
		}
	}
	return out
}
