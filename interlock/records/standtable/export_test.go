package standtable

import "slices"

// Has reports whether something of that code was found.
func (j *Judgement) Has(c Code) bool {
	return slices.ContainsFunc(j.Findings, func(f Finding) bool { return f.Code == c })
}
