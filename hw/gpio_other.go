//go:build !linux

package hw

import (
	"errors"
	"fmt"
)

// Called returns nothing where there are no GPIO lines.
func (Pin) Called() (chip, line string) { return "", "" }

// OpenGPIO needs the GPIO character devices of Linux.
func OpenGPIO(cfg GPIOConfig) (Board, error) {
	if err := cfg.check(); err != nil {
		return nil, fmt.Errorf("open the board: %w", err)
	}
	return nil, errors.New("open the board: only Linux has the GPIO lines that a board needs; rehearse with the virtual board")
}
