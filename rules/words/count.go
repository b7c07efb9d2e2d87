package words

import "fmt"

// Count is "1 line" or "3 lines".
func Count[N int | int64 | uint64](n N, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}
