package device

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

// status is the error queue and the registers of IEEE 488.2, 11.
type status struct {
	queue       Queue
	event       byte // ESR
	eventEnable byte // ESE
	service     byte // SRE
}

// report queues an error and sets the event that it belongs to.
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
	s.queue.Report(c)
}

// clear is *CLS: queue and event register, not the enables.
func (s *status) clear() {
	s.queue.Clear()
	s.event = 0
}

// statusByte is what *STB? gives.
func (s *status) statusByte() byte {
	var b byte
	if s.queue.Len() > 0 {
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
