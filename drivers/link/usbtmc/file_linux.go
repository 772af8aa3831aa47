//go:build linux && (386 || amd64 || arm || arm64 || loong64 || riscv64)

package usbtmc

import (
	"encoding/binary"
	"errors"
	"fmt"
	"runtime"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// deviceFile is the Linux driver's device file. It is not in Go's poller,
// which knows only epoll's edges, and the driver reports levels.
type deviceFile struct{ fd int }

// OpenFile opens the device file at path, such as /dev/usbtmc0.
func OpenFile(path string) (File, error) {
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_CLOEXEC|unix.O_NONBLOCK, 0)
	for err == unix.EINTR {
		fd, err = unix.Open(path, unix.O_RDWR|unix.O_CLOEXEC|unix.O_NONBLOCK, 0)
	}
	if err != nil {
		return nil, fmt.Errorf("device file %s: %w", path, err)
	}
	f := deviceFile{fd}
	var version uint32
	if err := f.ioctl(ioctlAPIVersion, unsafe.Pointer(&version)); err != nil {
		_ = f.Close() // it was the wrong file
		if errors.Is(err, ErrGone) {
			return nil, fmt.Errorf("device file %s: %w", path, err)
		}
		// The driver came to this with Linux 4.20 (from memory).
		return nil, fmt.Errorf("device file %s: %w: it is no USBTMC device, or Linux is older than 4.20", path, err)
	}
	return f, nil
}

// ioctl is called until no signal interrupts it.
func (f deviceFile) ioctl(number uintptr, argument unsafe.Pointer) error {
	for {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(f.fd), number, uintptr(argument))
		switch errno {
		case 0:
			return nil
		case unix.EINTR:
			continue
		case unix.EAGAIN:
			return ErrAgain
		case unix.EPIPE:
			return ErrStall
		case unix.ENODEV, unix.ESHUTDOWN, unix.EPROTO:
			// EPROTO comes when the plug is pulled under a transfer (Linux,
			// Documentation/driver-api/usb/error-codes.rst; from memory).
			return fmt.Errorf("%w (%w)", ErrGone, errno)
		}
		return errno
	}
}

// move is USBTMC_IOCTL_READ or USBTMC_IOCTL_WRITE of p.
func (f deviceFile) move(number uintptr, p []byte) (int, error) {
	// struct usbtmc_message, which is packed: transfer_size, transferred,
	// flags, message.
	var m [messageSize]byte
	binary.NativeEndian.PutUint32(m[0:], uint32(len(p)))
	binary.NativeEndian.PutUint32(m[8:], flagAsync)
	var pinner runtime.Pinner
	pinner.Pin(unsafe.SliceData(p))
	defer pinner.Unpin()
	if address := uintptr(unsafe.Pointer(unsafe.SliceData(p))); len(m) == 20 {
		binary.NativeEndian.PutUint64(m[12:], uint64(address))
	} else {
		binary.NativeEndian.PutUint32(m[12:], uint32(address))
	}
	err := f.ioctl(number, unsafe.Pointer(&m))
	return int(binary.NativeEndian.Uint32(m[4:])), err
}

func (f deviceFile) Write(p []byte) (int, error) { return f.move(ioctlWrite, p) }

func (f deviceFile) Read(p []byte) (int, error) { return f.move(ioctlRead, p) }

func (f deviceFile) Written() (int, error) {
	var n uint32
	err := f.ioctl(ioctlWriteResult, unsafe.Pointer(&n))
	return int(n), err
}

func (f deviceFile) Wait(what Event, d time.Duration) (bool, error) {
	// The driver says POLLOUT when nothing is queued or asked, POLLIN when a
	// piece has come, POLLERR when one failed, which the next call tells, and
	// POLLHUP when the device is gone.
	p := []unix.PollFd{{Fd: int32(f.fd), Events: unix.POLLIN}}
	if what == Output {
		p[0].Events = unix.POLLOUT
	}
	_, err := unix.Poll(p, int((d+time.Millisecond-1)/time.Millisecond))
	switch {
	case err == unix.EINTR:
		return false, nil
	case err != nil:
		return false, err
	case p[0].Revents&(unix.POLLHUP|unix.POLLNVAL) != 0:
		return false, ErrGone
	}
	return p[0].Revents != 0, nil
}

func (f deviceFile) Cancel() error { return f.ioctl(ioctlCleanupIO, nil) }

func (f deviceFile) Clear() error { return f.ioctl(ioctlClear, nil) }

func (f deviceFile) ClearHalt(of Event) error {
	if of == Input {
		return f.ioctl(ioctlClearInHalt, nil)
	}
	return f.ioctl(ioctlClearOutHalt, nil)
}

func (f deviceFile) Close() error { return unix.Close(f.fd) }
