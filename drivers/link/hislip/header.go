package hislip

import (
	"encoding/binary"
	"fmt"
)

// messageType numbers the messages (IVI-6.1, table 4; from memory).
type messageType byte

const (
	initialize                    messageType = 0
	initializeResponse            messageType = 1
	fatalError                    messageType = 2
	nonFatalError                 messageType = 3
	asyncLock                     messageType = 4
	asyncLockResponse             messageType = 5
	data                          messageType = 6
	dataEnd                       messageType = 7
	deviceClearComplete           messageType = 8
	deviceClearAcknowledge        messageType = 9
	asyncRemoteLocalControl       messageType = 10
	asyncRemoteLocalResponse      messageType = 11
	trigger                       messageType = 12
	interrupted                   messageType = 13
	asyncInterrupted              messageType = 14
	asyncMaximumMessageSize       messageType = 15
	asyncMaximumMessageSizeResult messageType = 16
	asyncInitialize               messageType = 17
	asyncInitializeResponse       messageType = 18
	asyncDeviceClear              messageType = 19
	asyncServiceRequest           messageType = 20
	asyncStatusQuery              messageType = 21
	asyncStatusResponse           messageType = 22
	asyncDeviceClearAcknowledge   messageType = 23
)

// headerSize is the length of what begins every message: "HS", the type, a
// control code, a parameter and the length of the payload, big-endian
// (IVI-6.1, 2.4 table 3; from memory).
const headerSize = 16

type header struct {
	kind      messageType
	control   byte
	parameter uint32
	length    uint64 // of the payload
}

func (h header) append(dst []byte) []byte {
	dst = append(dst, 'H', 'S', byte(h.kind), h.control)
	dst = binary.BigEndian.AppendUint32(dst, h.parameter)
	return binary.BigEndian.AppendUint64(dst, h.length)
}

func parseHeader(b [headerSize]byte) (header, error) {
	if b[0] != 'H' || b[1] != 'S' {
		return header{}, fmt.Errorf("no HiSLIP: a message begins with %q, and not with \"HS\"", b[:2])
	}
	return header{
		kind:      messageType(b[2]),
		control:   b[3],
		parameter: binary.BigEndian.Uint32(b[4:]),
		length:    binary.BigEndian.Uint64(b[8:]),
	}, nil
}

const (
	// firstID is the message ID after a connection is made and after a device
	// clear; each message of the client has two more (IVI-6.1, 3.1.2; from memory).
	firstID = 0xffffff00
	// anyID is the ID of data whose message's end the server has not seen.
	anyID = 0xffffffff

	deliveredBit = 1 // control code of data: the last reply was read
	overlapBit   = 1 // control code of InitializeResponse and the device clear: overlap mode
	encryptBit   = 2 // control code of InitializeResponse: only encrypted (2.0)

	// version that is offered, and the vendor that the client belongs to.
	offeredVersion = 0x0200
	vendorID       = 'X'<<8 | 'X' // two letters of no registered vendor

	// messageLimit is the longest message that is taken, and announced.
	messageLimit = 64 << 20
	// textLimit is the longest text of an error that is taken.
	textLimit = 4 << 10
)

// incoming reads one message after another from a channel. It can stop at any
// byte, when a time limit passes, and go on there.
type incoming struct {
	raw  [headerSize]byte
	have int    // bytes of raw
	open bool   // header holds the message that is being read
	left uint64 // bytes of its payload, to come
	header
}

// source is a Read or a ReadPending: 0 and nil say that nothing has come.
type source func(p []byte) (int, error)

// next begins the next message. ok is false when get has nothing to give.
func (in *incoming) next(get source) (ok bool, err error) {
	for in.have < headerSize {
		n, err := get(in.raw[in.have:])
		if n == 0 || err != nil {
			return false, err
		}
		in.have += n
	}
	if in.header, err = parseHeader(in.raw); err != nil {
		return false, err
	}
	limit := uint64(textLimit)
	if in.kind == data || in.kind == dataEnd {
		limit = messageLimit
	}
	if in.length > limit {
		return false, fmt.Errorf("a HiSLIP message of %d bytes (type %d) is announced, and %d are allowed", in.length, in.kind, limit)
	}
	in.have, in.open, in.left = 0, true, in.length
	return true, nil
}

// payload reads some of the payload, of which some is left.
func (in *incoming) payload(p []byte, get source) (int, error) {
	n, err := get(p[:min(uint64(len(p)), in.left)])
	in.left -= uint64(n)
	return n, err
}

// skip reads the rest of the payload away.
func (in *incoming) skip(get source) (done bool, err error) {
	var waste [1024]byte
	for in.left > 0 {
		if n, err := in.payload(waste[:], get); n == 0 || err != nil {
			return false, err
		}
	}
	in.open = false
	return true, nil
}

// complain makes the error of an error message, whose payload is read.
func complain(h header, text []byte) error {
	causes, what := errorCauses, "an error"
	if h.kind == fatalError {
		causes, what = fatalCauses, "a fatal error"
	}
	cause := "unidentified"
	if int(h.control) < len(causes) {
		cause = causes[h.control]
	}
	if len(text) > 0 {
		return fmt.Errorf("the instrument reports %s of HiSLIP, %d (%s): %.200q", what, h.control, cause, text)
	}
	return fmt.Errorf("the instrument reports %s of HiSLIP, %d (%s)", what, h.control, cause)
}

// IVI-6.1, 6.2 and 6.3; from memory.
var (
	fatalCauses = []string{
		"unidentified", "poorly formed message header", "both channels are not established",
		"invalid initialization sequence", "it serves as many clients as it can", "secure connection failed",
	}
	errorCauses = []string{
		"unidentified", "unrecognized message type", "unrecognized control code",
		"unrecognized vendor-defined message", "message too large", "authentication failed",
	}
)
