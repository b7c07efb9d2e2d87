package judge

import "testing"

func TestRoughUpIsNeverShort(t *testing.T) {
	for _, c := range []struct {
		v    float64
		want string
	}{{5.761, "5.77 m"}, {5.76, "5.76 m"}, {12.34, "12.4 m"}, {100.2, "101 m"}, {7, "7 m"}, {0, "0 m"}, {1.6*(3+0.05+0.02) + 0.85, "5.77 m"}} {
		if got := roughUp(c.v, "m"); got != c.want {
			t.Errorf("%v is shown as %s, want %s", c.v, got, c.want)
		}
	}
}
