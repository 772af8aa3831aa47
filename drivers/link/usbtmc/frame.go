package usbtmc

import (
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"sync"
)

// A cable is a TCP connection between the model of the driver and a simulated
// device. What goes through it stands for transactions on USB, one frame each:
// kind, status, and four bytes each of a number and of a length, then data.
const (
	frameHeader = 10
	frameLimit  = urbSize // of its data
)

// Kinds of frames: from the driver in capitals, and the answers in small
// letters with the number of what they answer.
const (
	bulkOut = 'O' // data for Bulk-OUT
	bulkIn  = 'I' // asks for data of Bulk-IN
	cancel  = 'K' // takes back what of the two was not answered
	control = 'C' // a request to the control endpoint, of eight bytes

	bulkOutDone = 'o'
	bulkInDone  = 'i'
	controlDone = 'c'
)

// Statuses of answers.
const (
	transferred = 0
	stalled     = 1
)

type frame struct {
	kind   byte
	status byte
	number uint32
	data   []byte
}

// cable sends and receives frames.
type cable struct {
	net.Conn
	sending sync.Mutex
	out     []byte
}

func (c *cable) send(f frame) error {
	c.sending.Lock()
	defer c.sending.Unlock()
	c.out = append(c.out[:0], f.kind, f.status)
	c.out = binary.BigEndian.AppendUint32(c.out, f.number)
	c.out = binary.BigEndian.AppendUint32(c.out, uint32(len(f.data)))
	c.out = append(c.out, f.data...)
	_, err := c.Write(c.out)
	return err
}

func (c *cable) receive() (frame, error) {
	var raw [frameHeader]byte
	if _, err := io.ReadFull(c, raw[:]); err != nil {
		return frame{}, err
	}
	f := frame{kind: raw[0], status: raw[1], number: binary.BigEndian.Uint32(raw[2:])}
	n := binary.BigEndian.Uint32(raw[6:])
	if n > frameLimit {
		return frame{}, fmt.Errorf("a frame of %d bytes", n)
	}
	f.data = make([]byte, n)
	_, err := io.ReadFull(c, f.data)
	return f, err
}

// setup is a request to the control endpoint (USB 2.0, 9.3; from memory).
type setup struct {
	kind    byte // bmRequestType
	request byte
	value   uint16
	index   uint16
	length  uint16
}

func (s setup) bytes() []byte {
	b := []byte{s.kind, s.request}
	b = binary.LittleEndian.AppendUint16(b, s.value)
	b = binary.LittleEndian.AppendUint16(b, s.index)
	return binary.LittleEndian.AppendUint16(b, s.length)
}

func parseSetup(b []byte) (s setup, ok bool) {
	if len(b) != 8 {
		return setup{}, false
	}
	return setup{b[0], b[1], binary.LittleEndian.Uint16(b[2:]), binary.LittleEndian.Uint16(b[4:]), binary.LittleEndian.Uint16(b[6:])}, true
}

// Requests to the control endpoint: of USBTMC (1.0, table 15), of USB488
// (1.0, table 9) and of every device (USB 2.0, 9.4); from memory. Those of
// USBTMC stand in include/uapi/linux/usb/tmc.h (Linux 6.1), too.
const (
	initiateClear     = 5
	checkClearStatus  = 6
	getCapabilities   = 7
	readStatusByte    = 128
	clearFeature      = 1
	classInterfaceIn  = 0xa1
	standardEndpoint  = 0x02
	endpointHalt      = 0
	endpointBulkOut   = 0x01
	endpointBulkIn    = 0x82
	statusSuccess     = 0x01
	statusPending     = 0x02
	statusFailed      = 0x80
	queuedForBulkIn   = 1    // bit 0 of bmClear
	messageAvailable  = 0x10 // MAV of the status byte (488.2, 11.2.1.2; from memory)
	capabilities488_2 = 4    // bit 2 of bmUSB488InterfaceCapabilities
)
