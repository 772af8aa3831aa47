package device

import "fmt"

// Code is an error of SCPI-99 Volume 2, 21.8; a command returns one to refuse.
type Code int

// The codes in use, with the texts of SCPI-99 Volume 2, 21.8.
const (
	SyntaxError           Code = -102
	DataTypeError         Code = -104
	ParameterNotAllowed   Code = -108
	MissingParameter      Code = -109
	UndefinedHeader       Code = -113
	HeaderSuffixRange     Code = -114
	InvalidSuffix         Code = -131
	InitIgnored           Code = -213
	SettingsConflict      Code = -221
	DataOutOfRange        Code = -222
	IllegalParameterValue Code = -224
	DataCorruptOrStale    Code = -230
	QueueOverflow         Code = -350
	InputBufferOverrun    Code = -363
)

var codeText = map[Code]string{
	0:                     "No error",
	SyntaxError:           "Syntax error",
	DataTypeError:         "Data type error",
	ParameterNotAllowed:   "Parameter not allowed",
	MissingParameter:      "Missing parameter",
	UndefinedHeader:       "Undefined header",
	HeaderSuffixRange:     "Header suffix out of range",
	InvalidSuffix:         "Invalid suffix",
	InitIgnored:           "Init ignored",
	SettingsConflict:      "Settings conflict",
	DataOutOfRange:        "Data out of range",
	IllegalParameterValue: "Illegal parameter value",
	DataCorruptOrStale:    "Data corrupt or stale",
	QueueOverflow:         "Queue overflow",
	InputBufferOverrun:    "Input buffer overrun",
}

// Error is the entry as the error queue gives it: -222,"Data out of range".
func (c Code) Error() string {
	text, known := codeText[c]
	if !known {
		text = "Device-specific error"
	}
	return fmt.Sprintf("%d,%q", int(c), text)
}

// Bits of the standard event status register, IEEE 488.2, 11.5.1.
const (
	operationComplete = 1 << 0
	queryError        = 1 << 2
	deviceError       = 1 << 3
	executionError    = 1 << 4
	commandError      = 1 << 5
	powerOn           = 1 << 7
)

// Bits of the status byte: IEEE 488.2, 11.2; bit 2 is the error queue's, SCPI-99 Volume 1, 9.
const (
	errorsWaiting = 1 << 2
	eventSummary  = 1 << 5
	masterSummary = 1 << 6
)

// queueLength is how many errors are kept; SCPI-99 asks for at least two.
const queueLength = 16

// status is the error queue and the registers of IEEE 488.2, 11.
type status struct {
	queue       []Code
	event       byte // ESR
	eventEnable byte // ESE
	service     byte // SRE
}

// report queues an error. A full queue ends in Queue overflow, SCPI-99 Volume 2, 21.8.1.
func (s *status) report(c Code) {
	switch {
	case c > -200:
		s.event |= commandError
	case c > -300:
		s.event |= executionError
	case c > -400:
		s.event |= deviceError
	default:
		s.event |= queryError
	}
	if len(s.queue) == queueLength {
		s.queue[queueLength-1] = QueueOverflow
		return
	}
	s.queue = append(s.queue, c)
}

// next takes the oldest error out of the queue; 0 when there is none.
func (s *status) next() Code {
	if len(s.queue) == 0 {
		return 0
	}
	c := s.queue[0]
	s.queue = s.queue[:copy(s.queue, s.queue[1:])]
	return c
}

// clear is *CLS: queue and event register, not the enables.
func (s *status) clear() { s.queue, s.event = s.queue[:0], 0 }

// statusByte is what *STB? gives.
func (s *status) statusByte() byte {
	var b byte
	if len(s.queue) > 0 {
		b |= errorsWaiting
	}
	if s.event&s.eventEnable != 0 {
		b |= eventSummary
	}
	if b&s.service != 0 {
		b |= masterSummary
	}
	return b
}
