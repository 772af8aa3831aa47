package usbtmc

import (
	"context"
	"errors"
	"net"
	"slices"
	"sync"
	"time"
)

// driver is a model of the Linux driver's asynchronous input and output, as
// it is read in Linux 6.1, drivers/usb/class/usbtmc.c: what it queues, when
// poll says what, and how it clears.
type driver struct {
	cable   *cable
	running sync.WaitGroup
	control chan frame // answers

	mu      sync.Mutex
	changed chan struct{}  // closed, and made anew, when anything below changes
	gone    bool           // the cable was pulled
	number  uint32         // of the last frame
	outs    map[uint32]int // pieces on their way out, with their length
	written int            // bytes that went out since the last Write
	status  error          // of output
	asked   uint32         // the piece of input that was asked for; 0: none
	in      *frame         // its answer
}

// controlPatience is how long the driver waits for the control endpoint
// (USB_CTRL_GET_TIMEOUT, include/linux/usb.h).
const controlPatience = 5 * time.Second

// Plug connects to a simulated device that is served at address, host:port.
func Plug(ctx context.Context, address string) (File, error) {
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	d := &driver{cable: &cable{Conn: conn}, control: make(chan frame, 1), changed: make(chan struct{}), outs: map[uint32]int{}}
	d.running.Go(d.answers)
	return d, nil
}

// change is called with mu held.
func (d *driver) change() {
	close(d.changed)
	d.changed = make(chan struct{})
}

func (d *driver) answers() {
	for {
		f, err := d.cable.receive()
		d.mu.Lock()
		if err != nil {
			d.gone = true
			d.change()
			d.mu.Unlock()
			return
		}
		switch {
		case f.kind == controlDone:
			select {
			case d.control <- f:
			default: // nobody waits for it any more
			}
		case f.kind == bulkInDone && f.number == d.asked && d.in == nil:
			d.in = &f
		case f.kind == bulkOutDone:
			n, on := d.outs[f.number]
			delete(d.outs, f.number)
			switch {
			case !on: // it was taken back
			case f.status == stalled && d.status == nil:
				d.status = ErrStall
			default:
				d.written += n
			}
		}
		d.change()
		d.mu.Unlock()
	}
}

// submit is called with mu held.
func (d *driver) submit(kind byte, data []byte) (uint32, error) {
	d.number++
	if err := d.cable.send(frame{kind: kind, number: d.number, data: data}); err != nil {
		d.gone = true
		return 0, ErrGone
	}
	return d.number, nil
}

func (d *driver) Write(p []byte) (n int, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.gone {
		return 0, ErrGone
	}
	d.written, d.status = 0, nil
	for n < len(p) {
		if len(d.outs) == maxURBs {
			if n == 0 {
				return 0, ErrAgain
			}
			return n, nil
		}
		part := p[n:min(len(p), n+urbSize)]
		padded := pad(slices.Clone(part))
		number, err := d.submit(bulkOut, padded)
		if err != nil {
			return n, err
		}
		d.outs[number] = len(padded)
		n += len(part)
	}
	return n, nil
}

func (d *driver) Written() (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.gone {
		return 0, ErrGone
	}
	return d.written, d.status
}

func (d *driver) Read(p []byte) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case d.gone:
		return 0, ErrGone
	case d.in == nil && d.asked == 0:
		number, err := d.submit(bulkIn, nil)
		if err != nil {
			return 0, err
		}
		d.asked = number
		return 0, ErrAgain
	case d.in == nil:
		return 0, ErrAgain
	}
	f := d.in
	d.in, d.asked = nil, 0
	if f.status == stalled {
		return 0, ErrStall
	}
	return copy(p, f.data), nil
}

func (d *driver) Wait(what Event, limit time.Duration) (bool, error) {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	for {
		d.mu.Lock()
		// POLLOUT comes when nothing is on its way in either direction.
		ready := d.status != nil || what == Input && d.in != nil || what == Output && len(d.outs) == 0 && (d.asked == 0 || d.in != nil)
		gone, changed := d.gone, d.changed
		d.mu.Unlock()
		if gone {
			return false, ErrGone
		}
		if ready {
			return true, nil
		}
		select {
		case <-changed:
		case <-timer.C:
			return false, nil
		}
	}
}

func (d *driver) Cancel() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.gone {
		return ErrGone
	}
	_, err := d.submit(cancel, nil)
	d.outs, d.asked, d.in, d.written, d.status = map[uint32]int{}, 0, nil, 0, nil
	d.change()
	return err
}

// call makes a request to the control endpoint.
func (d *driver) call(s setup) ([]byte, error) {
	d.mu.Lock()
	select {
	case <-d.control: // of a request that nobody awaited
	default:
	}
	number, err := d.submit(control, s.bytes())
	d.mu.Unlock()
	if err != nil {
		return nil, err
	}
	timer := time.NewTimer(controlPatience)
	defer timer.Stop()
	for {
		d.mu.Lock()
		gone, changed := d.gone, d.changed
		d.mu.Unlock()
		if gone {
			return nil, ErrGone
		}
		select {
		case f := <-d.control:
			switch {
			case f.number != number:
				continue
			case f.status == stalled || len(f.data) < int(min(s.length, 1)):
				return nil, ErrStall
			}
			return f.data, nil
		case <-changed:
		case <-timer.C:
			return nil, errors.New("the device does not answer a request to its control endpoint")
		}
	}
}

var errRefusedClear = errors.New("the device refuses to clear")

// Clear is usbtmc_ioctl_clear.
func (d *driver) Clear() error {
	b, err := d.call(setup{kind: classInterfaceIn, request: initiateClear, length: 1})
	if err != nil {
		return err
	}
	if b[0] != statusSuccess {
		return errRefusedClear
	}
	for range 100 { // USBTMC_MAX_READS_TO_CLEAR_BULK_IN
		b, err := d.call(setup{kind: classInterfaceIn, request: checkClearStatus, length: 2})
		switch {
		case err != nil:
			return err
		case b[0] == statusSuccess:
			return d.ClearHalt(Output)
		case b[0] != statusPending || len(b) < 2:
			return errRefusedClear
		case b[1]&queuedForBulkIn == 0:
			time.Sleep(50 * time.Millisecond)
			continue
		}
		for end := time.Now().Add(controlPatience); ; {
			var waste [urbSize]byte
			n, err := d.Read(waste[:])
			if errors.Is(err, ErrAgain) && time.Now().Before(end) {
				_, err = d.Wait(Input, controlPatience)
				if err == nil {
					continue
				}
			}
			if err != nil {
				return err
			}
			if n < urbSize {
				break
			}
		}
	}
	return errRefusedClear
}

func (d *driver) ClearHalt(of Event) error {
	endpoint := uint16(endpointBulkIn)
	if of == Output {
		endpoint = endpointBulkOut
	}
	_, err := d.call(setup{kind: standardEndpoint, request: clearFeature, value: endpointHalt, index: endpoint})
	return err
}

func (d *driver) Close() error {
	err := d.cable.Close()
	d.running.Wait()
	return err
}
