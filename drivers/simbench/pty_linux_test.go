package simbench

import (
	"bufio"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"halfturn/drivers/simbench/device"
)

// openSerial opens what SerialAddresses says, as a file that can time out.
func openSerial(t *testing.T, address string) *client {
	t.Helper()
	path, _, found := strings.Cut(strings.TrimPrefix(address, "serial://"), "?baud=115200")
	if !found || !strings.HasPrefix(path, "/dev/") {
		t.Fatalf("address %q", address)
	}
	file, err := os.OpenFile(path, os.O_RDWR|syscall.O_NOCTTY|syscall.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { file.Close() })
	if err := file.SetDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	return &client{t, file, bufio.NewReader(file)}
}

func TestSerialConversation(t *testing.T) {
	s := serve(t, "good-balun", Options{PTY: true})
	generator, scope := s.SerialAddresses()
	g, c := openSerial(t, generator), openSerial(t, scope)
	g.expect("*IDN?", "halfturn,simulated generator,41,1")
	g.expect("FREQ 10MHZ;POW 0;:OUTP ON;*OPC?", "1")
	c.send("SENS1:VOLT:RANG:PTP 0.8;:FORM INT,8;:SENS:SWE:POIN 10000;:INIT")
	serial := c.block("TRAC? CH1") // every byte value as it is, and more than a line buffer holds
	if len(serial) != 10000 {
		t.Fatalf("%d bytes", len(serial))
	}
	if over := dial(t, s.ScopeAddress()).block("TRAC? CH1"); string(over) != string(serial) {
		t.Error("the same record differs over the socket")
	}
	// A hang-up or a reboot cannot drop a line; the next message is answered.
	s.Interfere(Generator, device.OnNth("*IDN", 1, device.Reboot))
	g.send("*IDN?")
	g.expect("OUTP?", "0")
	s.Interfere(Generator, device.OnNth("*IDN", 1, device.HalfThenHangUp))
	g.send("*IDN?")
	half := make([]byte, len("halfturn,simulated generator,41,1")/2)
	if _, err := g.in.Read(half); err != nil {
		t.Fatal(err)
	}
	g.expect("OUTP?", "0")
}

func TestSerialClientsComeAndGo(t *testing.T) {
	s := serve(t, "good-balun", Options{PTY: true})
	generator, _ := s.SerialAddresses()
	for range 3 {
		c := openSerial(t, generator)
		c.expect("*OPC?", "1")
		c.link.(*os.File).Close()
	}
	if a, b := serve(t, "good-balun", Options{}).SerialAddresses(); a != "" || b != "" {
		t.Errorf("addresses %q and %q without serial lines", a, b)
	}
}

// A reply that nobody reads fills the line; Close ends that, too.
func TestCloseEndsASerialWrite(t *testing.T) {
	s := serve(t, "good-balun", Options{PTY: true})
	_, scope := s.SerialAddresses()
	c := openSerial(t, scope)
	c.send("SENS:SWE:POIN 10000;:FORM INT,16;:INIT;:TRAC? CH1;TRAC? CH2")
	if _, err := c.in.ReadByte(); err != nil { // the reply has begun
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}
