//go:build unix

package main

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"halfturn/cmd/halfturn/daemon"
	"halfturn/drivers/simbench"
	"halfturn/internal/testbench"
)

// A hang-up makes the daemon read its bench again, with the files that the bench
// file names; another listen or bad limits change nothing.
func TestServeReadsAgainOnAHangUp(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	file, address := daemonFile(t, server, 4, "")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	limits := filepath.Join(filepath.Dir(file), "limits.yaml")
	write := func(name, content string) {
		t.Helper()
		if err := os.WriteFile(name, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(file, regexp.MustCompile(`(?m)^limits:.*$`).ReplaceAllString(string(text), "limits: limits.yaml"))
	const good = "name: mine\nfrom: 10 MHz\nto: 300 MHz\nphase_balance: 5 deg\n"
	write(limits, good)
	s := serveChild(t, file, address)
	signal := func() {
		t.Helper()
		if err := s.cmd.Process.Signal(syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
	}
	hangUp := func(says string) {
		t.Helper()
		signal()
		waitFor(t, func() bool {
			var log daemon.Log
			s.must("GET", "/log", nil, &log)
			for _, l := range log.Lines {
				if strings.Contains(fmt.Sprint(l.Message, l.Fields), says) {
					return true
				}
			}
			return false
		})
	}
	write(limits, strings.Replace(good, "5 deg", "3 deg", 1))
	hangUp("changed:limits")
	write(limits, strings.Replace(good, "phase", "phrase", 1))
	hangUp("phrase_balance")
	var b daemon.Bench
	s.must("GET", "/bench", nil, &b)
	if !b.Config.Changed || !strings.Contains(b.Config.Problem, "limits.yaml:4") {
		t.Errorf("%+v", b.Config)
	}
	write(limits, good)
	signal()
	waitFor(t, func() bool {
		b = daemon.Bench{}
		s.must("GET", "/bench", nil, &b)
		return !b.Config.Changed && b.Config.Problem == ""
	})
}

// The service manager is told that the daemon serves, that it is alive and
// that it stops (sd_notify(3)).
func TestServeNotifies(t *testing.T) {
	t.Parallel()
	name := filepath.Join(t.TempDir(), "n")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		t.Skip("no such sockets here:", err)
	}
	defer socket.Close()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
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
