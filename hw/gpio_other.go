//go:build !linux

package hw

import "errors"

// OpenGPIO needs the GPIO character devices of Linux.
func OpenGPIO(GPIOConfig) (Board, error) {
	return nil, errors.New("open the board: only Linux has the GPIO lines that a board needs; rehearse with the virtual board")
}
