package simbench

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"halfturn/drivers/simbench/device"
	"halfturn/units"
)

// patience bounds every read of a test; nothing here takes nearly as long.
const patience = 10 * time.Second

// client is one link to an instrument.
type client struct {
	t    *testing.T
	link io.ReadWriter
	in   *bufio.Reader
}

func serve(t *testing.T, scenario string, o Options) *Server {
	t.Helper()
	s, err := Serve(context.Background(), load(t, scenario), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func dial(t *testing.T, address string) *client {
	t.Helper()
	conn, err := net.Dial("tcp", strings.TrimPrefix(address, "tcp://"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	if err := conn.SetDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	return &client{t, conn, bufio.NewReader(conn)}
}

func (c *client) send(message string) {
	c.t.Helper()
	if _, err := io.WriteString(c.link, message+"\n"); err != nil {
		c.t.Fatal(err)
	}
}

func (c *client) ask(message string) string {
	c.t.Helper()
	c.send(message)
	line, err := c.in.ReadString('\n')
	if err != nil {
		c.t.Fatalf("%s: %v after %q", message, err, line)
	}
	return strings.TrimSuffix(line, "\n")
}

// block reads a definite block and its terminator.
func (c *client) block(message string) []byte {
	c.t.Helper()
	c.send(message)
	var head [2]byte
	if _, err := io.ReadFull(c.in, head[:]); err != nil || head[0] != '#' {
		c.t.Fatalf("%s: block starts with %q, %v", message, head, err)
	}
	count := make([]byte, head[1]-'0')
	if _, err := io.ReadFull(c.in, count); err != nil {
		c.t.Fatal(err)
	}
	var n int
	if _, err := fmt.Sscanf(string(count), "%d", &n); err != nil {
		c.t.Fatal(err)
	}
	data := make([]byte, n+1)
	if _, err := io.ReadFull(c.in, data); err != nil || data[n] != '\n' {
		c.t.Fatalf("%s: block of %d does not end in a newline, %v", message, n, err)
	}
	return data[:n]
}

func (c *client) expect(message, want string) {
	c.t.Helper()
	if got := c.ask(message); got != want {
		c.t.Errorf("%s: %q, want %q", message, got, want)
	}
}

func (c *client) noErrors() {
	c.t.Helper()
	c.expect(":SYSTem:ERRor?", `0,"No error"`)
}

func TestGeneratorConversation(t *testing.T) {
	c := dial(t, serve(t, "good-balun", Options{}).GeneratorAddress())
	c.expect("*IDN?", "halfturn,simulated generator,41,1")
	c.expect("SYST:VERS?", "1999.0")
	c.expect("*ESR?", "128") // switched on since it was last read
	c.expect("*RST;*CLS;*OPC?", "1")
	c.expect("FREQ?;:OUTP?;:POW?", "1.0E+08;0;-6.0E+01")
	c.send(":SOURce:FREQuency 30.5 MHZ;POWer 12.96DBM;:OUTPut:STATe on")
	c.expect(":sour:freq:fix?;:SOURCE:POWER:LEVEL:IMMEDIATE:AMPLITUDE?;:OUTP?", "3.05E+07;1.3E+01;1")
	c.noErrors()
	for _, bad := range []struct{ command, want string }{
		{"POW 13.1", `-222,"Data out of range"`},
		{"POW -60.1 DBM", `-222,"Data out of range"`},
		{"FREQ 99KHZ", `-222,"Data out of range"`},
		{"FREQ 1e999", `-222,"Data out of range"`},
		{"FREQ", `-109,"Missing parameter"`},
		{"FREQ 1MHZ,2MHZ", `-108,"Parameter not allowed"`},
		{"FREQ 1 DBM", `-131,"Invalid suffix"`},
		{"FREQ fast", `-104,"Data type error"`},
		{"FREQUEN 1MHZ", `-113,"Undefined header"`},
		{"OUTP2 ON", `-114,"Header suffix out of range"`},
		{"OUTP LOUD", `-224,"Illegal parameter value"`},
		{"SIM:FIXT MAGNET", `-224,"Illegal parameter value"`},
		{strings.Repeat("x", 10000), `-363,"Input buffer overrun"`},
	} {
		c.send(bad.command)
		c.expect(":SYST:ERR:NEXT?", bad.want)
		c.noErrors()
	}
	// Refused settings leave the old ones.
	c.expect("FREQ?;:POW?", "3.05E+07;1.3E+01")
	c.expect("SIM:FIXT?", "CAL")
	c.send("SIM:FIXT BALUN")
	c.expect("SIM:FIXT?", "BAL")
	c.send("SIM:FIXT NONE;:SIM:FIXT SWAP")
	c.expect("SIM:FIXT?", "SWAP")
	c.noErrors()
}

func TestScopeConversation(t *testing.T) {
	s := serve(t, "good-balun", Options{})
	g, c := dial(t, s.GeneratorAddress()), dial(t, s.ScopeAddress())
	c.expect("*IDN?", "halfturn,simulated digitiser,41,1")
	c.send("*RST;*CLS;:TRAC? CH1")
	c.expect("SYST:ERR?", `-230,"Data corrupt or stale"`)
	g.expect("FREQ 10MHZ;POW 0;:OUTP ON;*OPC?", "1")

	c.send(":SENSe1:VOLTage:DC:RANGe:PTPeak 0.8;:SENSe2:VOLTage:RANGe:PTPeak 500 MV")
	c.expect("SENS1:VOLT:RANG:PTP?;:SENS2:VOLT:RANG:PTP?", "8.0E-01;8.0E-01") // the next larger one
	c.send("SENS:SWE:POIN 2000;TINT 2NS")
	c.expect("SENS:SWE:POIN?;TINT?", "2000;2.0E-09")
	c.send("FORM INT,16;FORM:BORD NORM")
	c.expect("FORM?;FORM:BORD?", "INT,16;NORM")
	c.noErrors()

	c.send("INIT:IMM")
	wide := c.block("TRAC:DATA? CH2")
	if len(wide) != 4000 {
		t.Fatalf("%d bytes", len(wide))
	}
	first := c.block("TRAC? CH1")
	if again := c.block("TRAC? CH1"); string(again) != string(first) {
		t.Error("the same record reads differently")
	}
	// The low byte first, and 8 bits, of the same captures: INIT counts from the last setting.
	c.send("FORM:BORD SWAP;:INIT")
	swapped := c.block("TRAC? CH2")
	c.send("FORM INT,8;:INIT")
	narrow := c.block("TRAC? CH2")
	for i, b := range narrow {
		high, low := wide[2*i], wide[2*i+1]
		if high != b || swapped[2*i] != low || swapped[2*i+1] != high {
			t.Fatalf("sample %d: %02x, %02x%02x, swapped %02x%02x", i, b, high, low, swapped[2*i], swapped[2*i+1])
		}
	}
	if len(narrow) != 2000 {
		t.Fatalf("%d bytes", len(narrow))
	}

	for _, bad := range []struct{ command, want string }{
		{"SENS:SWE:TINT 1NS", `-222,"Data out of range"`}, // both channels are on
		{"SENS:SWE:POIN 10001", `-222,"Data out of range"`},
		{"SENS1:VOLT:RANG:PTP 8.1", `-222,"Data out of range"`},
		{"SENS3:VOLT:RANG:PTP 8", `-114,"Header suffix out of range"`},
		{"TRAC? CH3", `-224,"Illegal parameter value"`},
		{"TRAC?", `-109,"Missing parameter"`},
		{"FORM REAL,32", `-224,"Illegal parameter value"`},
		{"FORM INT,12", `-224,"Illegal parameter value"`},
		{"INIT:CONT ON;:INIT", `-213,"Init ignored"`},
	} {
		c.send(bad.command)
		c.expect("SYST:ERR?", bad.want)
		c.noErrors()
	}
	// One channel alone samples twice as fast; the other cannot come back on then.
	c.send("INIT:CONT OFF;:INP2 OFF;:SENS:SWE:TINT 1NS;:INP2 ON")
	c.expect("SYST:ERR?", `-221,"Settings conflict"`)
	c.send("INIT;:TRAC? CH2")
	c.expect("SYST:ERR?", `-221,"Settings conflict"`)
	// A change of the fixture makes the record stale.
	c.expect("SENS:SWE:TINT 2NS;:INP2 ON;:INIT;*OPC?", "1")
	s.Fit(FitBalun)
	c.send("TRAC? CH1")
	c.expect("SYST:ERR?", `-230,"Data corrupt or stale"`)
	c.noErrors()
}

// Rails in both formats.
func TestRailsOnTheWire(t *testing.T) {
	s := serve(t, "good-balun", Options{})
	g, c := dial(t, s.GeneratorAddress()), dial(t, s.ScopeAddress())
	g.expect("FREQ 10MHZ;POW 13;:OUTP ON;*OPC?", "1")
	c.send("SENS1:VOLT:RANG:PTP 0.016;:FORM INT,16;:INIT")
	low, high := 0, 0
	data := c.block("TRAC? CH1")
	for i := 0; i < len(data); i += 2 {
		v := int(int16(uint16(data[i])<<8 | uint16(data[i+1])))
		low, high = min(low, v), max(high, v)
	}
	if low != -32768 || high != 32767 {
		t.Errorf("rails at %d and %d", low, high)
	}
}

func TestSeveralClients(t *testing.T) {
	s := serve(t, "good-balun", Options{})
	for range 3 {
		c := dial(t, s.GeneratorAddress())
		c.expect("POW -10;POW?", "-1.0E+01")
	}
	a, b := dial(t, s.GeneratorAddress()), dial(t, s.GeneratorAddress())
	a.expect("POW -3;*OPC?", "1")
	b.expect("POW?", "-3.0E+00")
}

func TestServerEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	s, err := Serve(ctx, load(t, "good-balun"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	c := dial(t, s.ScopeAddress())
	c.expect("*OPC?", "1")
	cancel()
	if _, err := c.in.ReadByte(); err == nil {
		t.Error("the link stayed open")
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

func TestServeSaysWhatIsWrong(t *testing.T) {
	busy := serve(t, "good-balun", Options{})
	taken := strings.TrimPrefix(busy.ScopeAddress(), "tcp://")
	if s, err := Serve(context.Background(), load(t, "good-balun"), Options{ScopeListen: taken}); err == nil {
		s.Close()
		t.Error("two servers on one port")
	} else if !strings.Contains(err.Error(), "simulated scope cannot listen on "+taken) {
		t.Error(err)
	}
	if _, err := Serve(context.Background(), &Scenario{}, Options{}); err == nil {
		t.Error("an empty scenario is served")
	}
}

// A delay in the scenario is in the exchange; how long is a matter of the clock
// of this machine, so that only "not sooner" is looked at.
func TestInstrumentDelays(t *testing.T) {
	scenario := load(t, "good-balun")
	scenario.Generator.Settle = units.Seconds(0.03)
	s, err := Serve(context.Background(), scenario, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	c := dial(t, s.GeneratorAddress())
	start := time.Now()
	c.expect("POW 0;*OPC?", "1")
	if took := time.Since(start); took < 30*time.Millisecond {
		t.Errorf("settled after %v", took)
	}
}

func TestInterference(t *testing.T) {
	s := serve(t, "good-balun", Options{})
	prepare := func() *client {
		c := dial(t, s.ScopeAddress())
		c.send("FORM INT,8;:SENS:SWE:POIN 1000;:INIT")
		return c
	}
	rest := func(c *client) string { // what comes before the link ends
		data, err := io.ReadAll(c.in)
		if err != nil {
			t.Error(err)
		}
		return string(data)
	}

	t.Run("short block", func(t *testing.T) {
		c := prepare()
		s.Interfere(Scope, device.OnNth("TRACe", 2, device.ShortBlock))
		if n := len(c.block("TRAC? CH1")); n != 1000 {
			t.Errorf("the first has %d bytes", n)
		}
		c.send("TRAC? CH2")
		got := make([]byte, 6+500+1)
		if _, err := io.ReadFull(c.in, got); err != nil || string(got[:6]) != "#41000" || got[506] != '\n' {
			t.Errorf("%q, %v", got[:6], err)
		}
		if n := len(c.block("TRAC? CH2")); n != 1000 {
			t.Errorf("the third has %d bytes", n)
		}
	})
	t.Run("wrong count", func(t *testing.T) {
		c := prepare()
		s.Interfere(Scope, device.FromNth("TRACe", 1, device.WrongCount))
		for range 2 {
			if n := len(c.block("TRAC? CH1")); n != 998 {
				t.Errorf("%d bytes", n)
			}
		}
	})
	t.Run("text", func(t *testing.T) {
		c := prepare()
		s.Interfere(Scope, device.OnNth("TRACe", 1, device.Text))
		c.expect("TRAC? CH1", "UNCAL")
	})
	t.Run("nothing", func(t *testing.T) {
		c := prepare()
		s.Interfere(Scope, device.OnNth("TRACe", 1, device.Nothing))
		c.send("TRAC? CH1")
		c.expect("*OPC?", "1")
	})
	t.Run("half and hang up", func(t *testing.T) {
		c := prepare()
		s.Interfere(Scope, device.OnNth("TRACe", 1, device.HalfThenHangUp))
		c.send("TRAC? CH1")
		if got := rest(c); len(got) != 503 {
			t.Errorf("%d bytes", len(got))
		}
	})
	t.Run("late", func(t *testing.T) {
		c := prepare()
		s.Interfere(Scope, device.OnNth("*OPC", 1, device.Late(30*time.Millisecond)))
		start := time.Now()
		c.expect("*OPC?", "1")
		if took := time.Since(start); took < 30*time.Millisecond {
			t.Errorf("after %v", took)
		}
	})
	t.Run("refused level", func(t *testing.T) {
		c := dial(t, s.GeneratorAddress())
		c.expect("*CLS;POW -20;*OPC?", "1")
		s.Interfere(Generator, device.OnNth("SOURce:POWer", 1, device.Refuse(device.DataOutOfRange)))
		c.send("POW 3")
		c.expect("SYST:ERR?", `-222,"Data out of range"`)
		c.expect("POW?", "-2.0E+01")
		c.send("POW 3")
		c.expect("POW?", "3.0E+00")
	})
	t.Run("reboot", func(t *testing.T) {
		c, other := dial(t, s.GeneratorAddress()), dial(t, s.GeneratorAddress())
		other.expect("POW 5;:OUTP ON;*OPC?", "1")
		s.Interfere(Generator, device.OnNth("SOURce:FREQuency", 1, device.Reboot))
		c.send("FREQ 10MHZ")
		if got := rest(other) + rest(c); got != "" {
			t.Errorf("%q before the links were dropped", got)
		}
		dial(t, s.GeneratorAddress()).expect("OUTP?;:POW?;:FREQ?;*ESR?", "0;-6.0E+01;1.0E+08;128")
	})
	t.Run("other identity", func(t *testing.T) {
		s.Interfere(Generator, device.FromNth("*IDN", 1, device.Say("another,instrument,0,0")))
		c := dial(t, s.GeneratorAddress())
		c.expect("*IDN?", "another,instrument,0,0")
		s.Interfere(Generator, nil)
		c.expect("*IDN?", "halfturn,simulated generator,41,1")
	})
}

// Where the scenario has somebody forget the cable, hands at the bench and a
// script both find it still there.
func TestHandsThatForget(t *testing.T) {
	s := serve(t, "cable-left-in", Options{})
	c := dial(t, s.GeneratorAddress())
	c.send("SIM:FIXT BAL")
	c.expect("SIM:FIXT?", "CAL")
	c.send("SIM:FIXT NONE")
	c.expect("SIM:FIXT?", "NONE")
	s.FitForMeasurement()
	c.expect("SIM:FIXT?", "CAL")
	if r := s.Truth(30e6).Ratio; real(r) < 0.999 {
		t.Errorf("the truth is %v", r)
	}
	good := serve(t, "good-balun", Options{})
	g := dial(t, good.GeneratorAddress())
	good.FitForMeasurement()
	g.expect("SIM:FIXT?", "BAL")
	good.FitForCalibration()
	g.expect("SIM:FIXT?", "CAL")
}

// A run that is broken off and taken up again, with everything set anew, sees
// the captures that it would have seen.
func TestCapturesSurviveAnInterruption(t *testing.T) {
	s := serve(t, "good-balun", Options{})
	s.FitForMeasurement()
	connect := func() (g, c *client) {
		g, c = dial(t, s.GeneratorAddress()), dial(t, s.ScopeAddress())
		g.expect("*RST;:OUTP OFF;*OPC?", "1")
		c.expect("*RST;FORM INT,8;:SENS:SWE:POIN 500;*OPC?", "1")
		return g, c
	}
	step := func(g, c *client, mhz int) (captures [2]string) {
		g.expect(fmt.Sprintf("FREQ %d MHZ;POW 0;:OUTP ON;*OPC?", mhz), "1")
		c.send("SENS1:VOLT:RANG:PTP 0.8;:SENS2:VOLT:RANG:PTP 0.8")
		for i := range captures {
			c.expect("INIT;*OPC?", "1")
			captures[i] = string(c.block("TRAC? CH1")) + string(c.block("TRAC? CH2"))
		}
		return captures
	}
	g, c := connect()
	step(g, c, 30)
	whole := step(g, c, 40)
	g, c = connect()
	if again := step(g, c, 40); again != whole {
		t.Error("the resumed step has other captures")
	}
	if whole[0] == whole[1] {
		t.Error("captures of a step are alike")
	}
}

// Close waits neither for a reply that is far off nor for a client that does
// not read.
func TestCloseDoesNotWaitForClients(t *testing.T) {
	s := serve(t, "good-balun", Options{})
	reached := make(chan struct{})
	s.Interfere(Generator, func(command string, _ []byte) Action {
		close(reached)
		return Action{Delay: time.Hour}
	})
	dial(t, s.GeneratorAddress()).send("*IDN?")
	deaf := dial(t, s.ScopeAddress())
	deaf.expect("SENS:SWE:POIN 10000;:FORM INT,16;:INIT;*OPC?", "1")
	go func() { // ends when the server drops the link
		for {
			if _, err := io.WriteString(deaf.link, "TRAC? CH1\n"); err != nil {
				return
			}
		}
	}()
	<-reached
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

// One step of four captures, with the simulator's work: what other packages
// can count on.
func BenchmarkFourCaptures(b *testing.B) {
	s, err := Serve(context.Background(), load(b, "good-balun"), Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	conn, err := net.Dial("tcp", strings.TrimPrefix(s.ScopeAddress(), "tcp://"))
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close()
	in := bufio.NewReader(conn)
	buffer := make([]byte, 1<<16)
	fmt.Fprint(conn, "FORM INT,16;:SENS:SWE:POIN 10000\n")
	for b.Loop() {
		for range 4 {
			fmt.Fprint(conn, "INIT;:TRAC? CH1\n")
			if _, err := io.ReadFull(in, buffer[:20008]); err != nil {
				b.Fatal(err)
			}
			fmt.Fprint(conn, "TRAC? CH2\n")
			if _, err := io.ReadFull(in, buffer[:20008]); err != nil {
				b.Fatal(err)
			}
		}
	}
}
