// Package names gives MAVLink messages the names that the standard writes. Only what
// people read needs them: the daemon checks and reads frames by number.
package names

import (
	"fmt"
	"reflect"
	"strings"
	"sync"
	"unicode"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
)

var known = sync.OnceValue(func() map[uint32]string {
	all := map[uint32]string{376: "RELAY_STATUS"} // which the library's edition lacks
	for _, m := range common.Dialect.Messages {
		var b strings.Builder
		for i, c := range strings.TrimPrefix(reflect.TypeOf(m).Elem().Name(), "Message") {
			if i > 0 && unicode.IsUpper(c) {
				b.WriteByte('_')
			}
			b.WriteRune(unicode.ToUpper(c))
		}
		all[m.GetID()] = b.String()
	}
	return all
})

// Of returns the standard's name of a message, or "message 12345" for one that is
// not in the common set.
func Of(id uint32) string {
	if name, ok := known()[id]; ok {
		return name
	}
	return fmt.Sprintf("message %d", id)
}
