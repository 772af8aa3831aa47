package device

import (
	"errors"
	"fmt"
)

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
	DeviceSpecific        Code = -300
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
	DeviceSpecific:        "Device-specific error",
	QueueOverflow:         "Queue overflow",
	InputBufferOverrun:    "Input buffer overrun",
}

// Error is the entry as the error queue gives it: -222,"Data out of range".
func (c Code) Error() string { return fmt.Sprintf("%d,%q", int(c), c.Text()) }

// Text is the error in words: Data out of range. A code without words of its
// own is a device-specific error.
func (c Code) Text() string {
	if text, known := codeText[c]; known {
		return text
	}
	return codeText[DeviceSpecific]
}

// Magnitude is the number without its sign, for instruments whose errors have none.
func (c Code) Magnitude() int64 { return max(int64(c), -int64(c)) }

// CodeOf is err as a Code; one that is none is a device-specific error.
func CodeOf(err error) Code {
	var code Code
	if errors.As(err, &code) {
		return code
	}
	return DeviceSpecific
}

// queueLength is how many errors are kept; SCPI-99 asks for at least two.
const queueLength = 16

// Queue is errors that nobody has asked for, the oldest first.
type Queue struct{ codes []Code }

// Report adds an error. A full queue ends in Queue overflow, SCPI-99 Volume 2, 21.8.1.
func (q *Queue) Report(c Code) {
	if len(q.codes) == queueLength {
		q.codes[queueLength-1] = QueueOverflow
		return
	}
	q.codes = append(q.codes, c)
}

// Next takes the oldest error out; 0 when there is none.
func (q *Queue) Next() Code {
	if len(q.codes) == 0 {
		return 0
	}
	c := q.codes[0]
	q.codes = q.codes[:copy(q.codes, q.codes[1:])]
	return c
}

// Len is how many errors there are.
func (q *Queue) Len() int { return len(q.codes) }

// Clear forgets them all.
func (q *Queue) Clear() { q.codes = q.codes[:0] }
