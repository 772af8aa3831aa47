package vxi11

import "fmt"

// The portmapper (RFC 1833, 3: version 2) finds the port of the core channel.
const (
	portmapProgram = 100000
	portmapVersion = 2
	portmapGetPort = 3
	protocolTCP    = 6
)

// The core channel (VXI-11 rev 1.0, B.6 and its RPCL in appendix C; from memory).
const (
	coreProgram = 0x0607af
	coreVersion = 1

	createLink    = 10
	deviceWrite   = 11
	deviceRead    = 12
	deviceReadSTB = 13
	deviceClear   = 15
	destroyLink   = 23

	flagEnd = 8 // of device_write: the last byte carries END

	reasonRequested = 1 // of device_read: as much as was asked for
	reasonEnd       = 4 // END came with the last byte

	errNone        = 0
	errNoDevice    = 3
	errNoLink      = 4
	errParameter   = 5
	errUnsupported = 8
	errResources   = 9
	errIOTimeout   = 15
)

// causes of Device_ErrorCode (VXI-11 rev 1.0, table B.2; from memory).
var causes = map[uint32]string{
	1:              "syntax error",
	errNoDevice:    "device not accessible",
	errNoLink:      "invalid link identifier",
	errParameter:   "parameter error",
	6:              "channel not established",
	errUnsupported: "operation not supported",
	errResources:   "out of resources",
	11:             "device locked by another link",
	12:             "no lock held by this link",
	errIOTimeout:   "I/O timeout",
	17:             "I/O error",
	21:             "invalid address",
	23:             "abort",
	29:             "channel already established",
}

func refused(what string, code uint32) error {
	cause, known := causes[code]
	if !known {
		cause = "unknown"
	}
	return fmt.Errorf("%s is refused with VXI-11 error %d (%s)", what, code, cause)
}
