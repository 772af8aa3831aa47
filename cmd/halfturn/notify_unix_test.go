//go:build unix

package main

import (
	"net"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"halfturn/drivers/simbench"
)

// The service manager is told that the daemon serves, that it is alive and
// that it stops (sd_notify(3)).
func TestServeNotifies(t *testing.T) {
	name := filepath.Join(t.TempDir(), "n")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		t.Skip("no such sockets here:", err)
	}
	defer socket.Close()
	server := simulated(t, "good-balun", simbench.Options{})
	file, _ := daemonFile(t, server, 4, "")
	cmd := child("serve", "-c", file)
	cmd.Env = append(cmd.Env, "NOTIFY_SOCKET="+name, "WATCHDOG_USEC=300000")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }()
	next := func(want string) {
		t.Helper()
		socket.SetReadDeadline(time.Now().Add(10 * time.Second))
		buf := make([]byte, 256)
		for {
			n, err := socket.Read(buf)
			if err != nil {
				t.Fatalf("no %s: %v", want, err)
			}
			if strings.Contains(string(buf[:n]), want) {
				return
			}
		}
	}
	next("READY=1")
	next("WATCHDOG=1")
	next("WATCHDOG=1")
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	next("STOPPING=1")
}
