package link

import (
	"context"
	"strings"

	"halfturn/drivers/link/usbtmc"
)

// LoopbackDevice begins the paths of device files that stand for simulated
// devices: host:port follows.
const LoopbackDevice = "/loopback/"

func init() {
	openDevice = func(path string) (usbtmc.File, error) {
		if address, simulated := strings.CutPrefix(path, LoopbackDevice); simulated {
			return usbtmc.Plug(context.Background(), address)
		}
		return usbtmc.OpenFile(path)
	}
}
