package pad_test

import (
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/pad"
)

func init() {
	pad.VirtualBoard = func(p *pad.Pad) (*virtual.Board, error) {
		cfg := benchboard.Config(p, func() time.Duration { return 0 })
		cfg.Socket = ""
		return virtual.Open(cfg)
	}
}
