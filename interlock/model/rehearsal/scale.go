package rehearsal

import (
	"strconv"
	"strings"
)

// scale multiplies quantities of a row that are there, and reports whether the first
// was. Only numbers above zero can be made tighter by a share.
func scale(row map[string]any, share float64, keys ...string) bool {
	for i, key := range keys {
		text, ok := row[key].(string)
		number, unit, cut := strings.Cut(text, " ")
		v, err := strconv.ParseFloat(number, 64)
		if !ok || !cut || err != nil || v <= 0 {
			if i == 0 {
				return false
			}
			continue
		}
		row[key] = strconv.FormatFloat(v*share, 'g', 4, 64) + " " + unit
	}
	return true
}
