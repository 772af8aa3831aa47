package replay

import (
	"net"
	"syscall"
)

// withEnd has the last bytes and the end of the connection arrive together: a
// driver that has read a reply finds the link gone, however fast it goes on.
func withEnd(conn *net.TCPConn) {
	raw, err := conn.SyscallConn()
	if err != nil {
		return // then they arrive one after the other
	}
	_ = raw.Control(func(fd uintptr) { _ = syscall.SetsockoptInt(int(fd), syscall.IPPROTO_TCP, syscall.TCP_CORK, 1) })
}
