package pad

import (
	"os"
	"path/filepath"
	"testing"
)

// The commented example for the field is a pad file without a fault.
func TestExamplePadFileHolds(t *testing.T) {
	name := filepath.Join("..", "..", "deploy", "pad.example.toml")
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	p, faults := Read(name, text)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	if p.Stop.Stated == 0 || !p.LoadCell.Fitted || !p.Wind.Fitted || !p.Board.Line("relay").Fitted {
		t.Errorf("the example leaves out what it is there to show: %+v", p)
	}
}
