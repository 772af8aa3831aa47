package simbench

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"net"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"halfturn/drivers/simbench/device"
	"halfturn/units"
)

// turn is one message and all that comes back for it, byte for byte.
type turn struct{ send, want string }

// exchange sends a message and reads as much as is wanted; more than that shows
// in the next exchange.
func (c *client) exchange(e turn) {
	c.t.Helper()
	if _, err := io.WriteString(c.link, e.send); err != nil {
		c.t.Fatal(err)
	}
	got := make([]byte, len(e.want))
	if n, err := io.ReadFull(c.in, got); err != nil || string(got) != e.want {
		c.t.Fatalf("%q: %q (%v), want %q", e.send, got[:n], err, e.want)
	}
}

func (c *client) exchanges(list []turn) {
	c.t.Helper()
	for _, e := range list {
		c.exchange(e)
	}
}

// echoed is turns of a terminal: each line comes back, then the reply.
func echoed(pairs ...string) (list []turn) {
	for i := 0; i < len(pairs); i += 2 {
		line, reply := pairs[i]+"\r", ""
		if pairs[i+1] != "" {
			reply = pairs[i+1] + "\r\n"
		}
		list = append(list, turn{line, line + reply})
	}
	return list
}

// Every exchange of the manual, and what is refused, of each generator.
func TestGeneratorTongues(t *testing.T) {
	for family, list := range map[Family][]turn{
		Headed: {
			{"*IDN?\n", "HALFTURN,headed generator,0,1\n"},
			{"ERRORS?\n", "ERRORS 0,\"none\"\n"},
			{"FREQUENCY 30000000\n", ""},
			{"FREQUENCY?\n", "FREQUENCY 3.0000000E+07 HZ\n"},
			{"LEVEL -3.5\n", ""},
			{"LEVEL?\n", "LEVEL -3.50 DBM\n"},
			{"OUTPUT?\n", "OUTPUT OFF\n"},
			{"OUTPUT ON\n", ""},
			{"OUTPUT?\n", "OUTPUT ON\n"},
			{"READY?\n", "READY 1\n"},
			{"LEVEL 1.0E+01\nLEVEL?\nFREQUENCY?\n", "LEVEL 10.00 DBM\nFREQUENCY 3.0000000E+07 HZ\n"},
			{"LEVEL 99\n", ""},
			{"frequency 1e6\n", ""},
			{"FREQUENCY  1e6\n", ""},
			{"FREQUENCY 1e6,2\n", ""},
			{"OUTPUT LOUD\n", ""},
			{"READY\n", ""},
			{"\n\n", ""},
			{"ERRORS?\n", "ERRORS 222,\"Data out of range\"\n"},
			{"ERRORS?\n", "ERRORS 113,\"Undefined header\"\n"},
			{"ERRORS?\n", "ERRORS 104,\"Data type error\"\n"},
			{"ERRORS?\n", "ERRORS 104,\"Data type error\"\n"},
			{"ERRORS?\n", "ERRORS 224,\"Illegal parameter value\"\n"},
			{"ERRORS?\n", "ERRORS 113,\"Undefined header\"\n"},
			{"ERRORS?\n", "ERRORS 0,\"none\"\n"},
			{"LEVEL?\n", "LEVEL 10.00 DBM\n"},
		},
		Bundled: {
			{"*IDN?\n", "HALFTURN,bundled generator,0,1\n"},
			{"STATUS?\n", "0\n"},
			{"F 30.000000\n", ""},
			{"F?\n", "30.000000\n"},
			{"A 0.6325\n", ""},
			{"A?\n", "0.6325\n"},
			{"A 0.63246\nA?\n", "0.63246\n"},
			{"RF?\n", "0\n"},
			{"RF 1\n", ""},
			{"RF?\n", "1\n"},
			{"STATUS?\n", "0\n"},
			{"A 30\n", ""},
			{"STATUS?\n", "32\n"},
			{"STATUS?\n", "0\n"},
			{"A?\n", "0.63246\n"},
			{"A 0\nFOO\nSTATUS?\nSTATUS?\n", "32\n0\n"},
		},
		Spoken: echoed(
			"ident", "spoken generator 0.1",
			"problem", "none",
			"freq 30.000000 MHz", "",
			"freq", "30.000000 MHz",
			"level 0.2236 V", "",
			"level", "0.2236 V",
			"level 0.0002236 V", "",
			"level", "0.0002236 V",
			"output", "off",
			"output on", "",
			"output", "on",
			"", "",
			"level 30 V", "",
			"problem", "data out of range",
			"level 30", "",
			"problem", "missing parameter",
			"freq 30 kHz", "",
			"problem", "invalid suffix",
			"Freq", "",
			"problem", "undefined header",
			"output on now", "",
			"problem", "parameter not allowed",
			"ident me", "",
			"problem", "parameter not allowed",
			"problem", "none",
			"level", "0.0002236 V",
		),
		Coded: {
			{"ID?\n", "HALFTURN,coded generator,0,1\n"},
			{"ERR?\n", "0\n"},
			{"FREQ 30000000;FREQ?\n", "30000000\n"},
			{"LEV -3.5;LEV?\n", "-3.5\n"},
			{"OUT 1;OUT?\n", "1\n"},
			{"LEV -3.44;LEV?\n", "-3.4\n"},
			{"LEV 0;LEV?\n", "0\n"},
			{"OUT 0\nOUT?\n", "0\n"},
			{"FREQ 99E9;FREQ?\n", "30000000\n"},
			{"NOISE 1;LEV?\n", "0\n"},
			{"ERR?\n", "222\n"},
			{"ERR?\n", "113\n"},
			{"ERR?\n", "0\n"},
		},
	} {
		t.Run(string(family), func(t *testing.T) {
			c := dial(t, serve(t, "good-balun", Options{GeneratorSpeaks: family}).GeneratorAddress())
			c.exchanges(list)
		})
	}
}

// The same of each scope, up to the records.
func TestScopeTongues(t *testing.T) {
	for family, list := range map[Family][]turn{
		Headed: {
			{"*IDN?\n", "HALFTURN,headed scope,0,1\n"},
			{"CH1:SCALE 0.05\n", ""},
			{"CH1:SCALE?\n", "CH1:SCALE 5.0000E-02 V\n"},
			{"CH2:SCALE?\n", "CH2:SCALE 1.0000E+00 V\n"},
			{"CH2:SCALE 0.06\nCH2:SCALE?\n", "CH2:SCALE 1.0000E-01 V\n"}, // the next that holds it
			{"TIME:RATE 5.0E+08\n", ""},
			{"TIME:RATE?\n", "TIME:RATE 5.0000E+08 HZ\n"},
			{"TIME:POINTS 10000\n", ""},
			{"TIME:POINTS?\n", "TIME:POINTS 10000\n"},
			{"ACQUIRE:STATE?\n", "ACQUIRE:STATE STOPPED\n"},
			{"SELECT 1\n", ""},
			{"PREAMBLE?\n", "PREAMBLE 2,\"RI\",10000,2.0000000E-09,6.1035156E-06,-1.0000000E+01,\"V\"\n"},
			{"SELECT 2\nPREAMBLE?\n", "PREAMBLE 2,\"RI\",10000,2.0000000E-09,1.2207031E-05,-1.0000000E+01,\"V\"\n"},
			{"ERRORS?\n", "ERRORS 0,\"none\"\n"},
			{"CURVE?\n", ""}, // there is none yet
			{"SELECT 9\nCH1:SCALE 2\nTIME:RATE 0\nTIME:RATE -5e8\nTIME:POINTS 1.5\nACQUIRE\nCH9:SCALE 1\n", ""},
			{"ERRORS?\n", "ERRORS 230,\"Data corrupt or stale\"\n"},
			{"ERRORS?\n", "ERRORS 224,\"Illegal parameter value\"\n"},
			{"ERRORS?\n", "ERRORS 222,\"Data out of range\"\n"},
			{"ERRORS?\n", "ERRORS 222,\"Data out of range\"\n"},
			{"ERRORS?\n", "ERRORS 222,\"Data out of range\"\n"},
			{"ERRORS?\n", "ERRORS 222,\"Data out of range\"\n"},
			{"ERRORS?\n", "ERRORS 109,\"Missing parameter\"\n"},
			{"ERRORS?\n", "ERRORS 113,\"Undefined header\"\n"},
			{"ERRORS?\n", "ERRORS 0,\"none\"\n"},
			{"TIME:RATE?\nCH1:SCALE?\n", "TIME:RATE 5.0000E+08 HZ\nCH1:SCALE 5.0000E-02 V\n"},
		},
		Bundled: {
			{"*IDN?\n", "HALFTURN,bundled scope,0,1\n"},
			{"RANGE 1,0.4\n", ""},
			{"RANGE? 1\n", "0.4\n"},
			{"RANGE? 2\n", "8\n"},
			{"WINDOW 500000000,10000\n", ""},
			{"WINDOW?\n", "500000000,10000\n"},
			{"WINDOW 5E6,100\nWINDOW?\n", "5000000,100\n"},
			{"STATUS?\n", "0\n"},
			{"DATA?\n", ""},
			{"STATUS?\nSTATUS?\n", "32\n0\n"},
			{"RANGE 3,0.4\nRANGE 1\nRANGE? \nWINDOW 5e8\nWINDOW 1e9,100\nSTART 1\n", ""},
			{"STATUS?\nSTATUS?\n", "32\n0\n"},
			{"WINDOW?\n", "5000000,100\n"},
		},
		Spoken: echoed(
			"ident", "spoken scope 0.1",
			"scale a 50 mV", "",
			"scale a", "50 mV",
			"scale b", "1000 mV",
			"scale b 2 mV", "",
			"scale b", "2 mV",
			"sweep 500 MHz 1000", "",
			"sweep", "500 MHz 1000",
			"state", "idle",
			"volts a", "",
			"problem", "data corrupt or stale",
			"sweep 500 MHz 10000", "",
			"problem", "data out of range",
			"scale c 50 mV", "",
			"problem", "illegal parameter value",
			"scale", "",
			"problem", "missing parameter",
			"volts", "",
			"problem", "missing parameter",
			"single shot", "",
			"problem", "parameter not allowed",
			"problem", "none",
			"sweep", "500 MHz 1000",
		),
		Coded: {
			{"ID?\n", "HALFTURN,coded scope,0,1\n"},
			{"VDIV 2 0.05;VDIV? 2\n", "0.05\n"},
			{"VDIV? 1\n", "1\n"},
			{"RATE 5E8;RATE?\n", "500000000\n"},
			{"DEPTH 10000;DEPTH?\n", "10000\n"},
			{"DONE?\n", "0\n"},
			{"STEP? 2\n", "7.62939453125e-06\n"},
			{"MIDDLE? 2\n", "32768\n"},
			{"FORMAT 1,U,LOW\nSTEP? 2\nMIDDLE? 2\n", "0.001953125\n128\n"},
			{"FORMAT 2,S,HIGH\nSTEP? 2\nMIDDLE? 2\n", "7.62939453125e-06\n0\n"},
			{"ERR?\n", "0\n"},
			{"BOTH?\nERR?\n", "230\n"},
			{"FORMAT 3,U,LOW;FORMAT 1,X,LOW;FORMAT 1,U;VDIV 1 5;VDIV? 1\n", "1\n"},
			{"ERR?\nERR?\nERR?\nERR?\nERR?\n", "224\n224\n109\n222\n0\n"},
			{"MIDDLE? 2\n", "0\n"},
		},
	} {
		t.Run(string(family), func(t *testing.T) {
			c := dial(t, serve(t, "good-balun", Options{ScopeSpeaks: family}).ScopeAddress())
			c.exchanges(list)
		})
	}
}

// speaker is how a test sets a bench up and takes captures in one tongue.
type speaker struct {
	family    Family
	full      units.Volts // of the ranges below
	samples   int
	generator func(c *client) // 30 MHz, 0 dBm, RF on
	scope     func(c *client) // both channels, 500 MS/s
	capture   func(c *client) [2][]int16
}

// await asks until the reply is the one wanted.
func (c *client) await(question, want string) {
	c.t.Helper()
	deadline := time.Now().Add(patience)
	for {
		if _, err := io.WriteString(c.link, question); err != nil {
			c.t.Fatal(err)
		}
		line, err := c.in.ReadString('\n')
		if err != nil {
			c.t.Fatalf("%q: %v", question, err)
		}
		if line == want {
			return
		}
		if time.Now().After(deadline) {
			c.t.Fatalf("%q: %q, want %q", question, line, want)
		}
	}
}

func (c *client) take(n int) []byte {
	c.t.Helper()
	data := make([]byte, n)
	if n, err := io.ReadFull(c.in, data); err != nil {
		c.t.Fatalf("%d of %d bytes: %v", n, len(data), err)
	}
	return data
}

// Readers of the records, from the manual.

func curve(c *client, channel int) []int16 {
	c.exchange(turn{fmt.Sprintf("SELECT %d\nCURVE?\n", channel), "CURVE #520000"})
	data := c.take(20000)
	c.exchange(turn{"", "\n"})
	codes := make([]int16, len(data)/2)
	for i := range codes {
		wide := int16(binary.BigEndian.Uint16(data[2*i:]))
		if wide&0xff != 0 {
			c.t.Fatalf("code %d of sample %d", wide, i)
		}
		codes[i] = wide >> 8
	}
	return codes
}

func voltsToCode(t *testing.T, v, full float64) int16 {
	code := v / full * 256
	if math.Abs(code-math.Round(code)) > 1e-4 {
		t.Fatalf("%g V is no code of %g V", v, full)
	}
	return int16(math.Round(code))
}

func interleaved(c *client, width int, code func([]byte) int) (codes [2][]int16) {
	n := 2 * 10000 * width
	c.exchange(turn{"BOTH?\n", fmt.Sprintf("#5%d", n)})
	data := c.take(n)
	for at := 0; at < n; at += width {
		i := at / width % 2
		codes[i] = append(codes[i], int16(code(data[at:])))
	}
	return codes
}

func speakers() []speaker {
	scpi := speaker{
		family: SCPI99, full: 0.4, samples: 10000,
		generator: func(c *client) { c.expect("FREQ 30 MHZ;POW 0;:OUTP ON;*OPC?", "1") },
		scope: func(c *client) {
			c.expect("FORM INT,8;:SENS1:VOLT:RANG:PTP 0.4;:SENS2:VOLT:RANG:PTP 0.4;:SENS:SWE:POIN 10000;TINT 2E-9;*OPC?", "1")
		},
		capture: func(c *client) (codes [2][]int16) {
			c.send("INIT")
			for i := range codes {
				for _, b := range c.block(fmt.Sprintf("TRAC? CH%d", i+1)) {
					codes[i] = append(codes[i], int16(int8(b)))
				}
			}
			return codes
		},
	}
	headed := speaker{
		family: Headed, full: 0.4, samples: 10000,
		generator: func(c *client) {
			c.exchange(turn{"FREQUENCY 30000000\nLEVEL 0\nOUTPUT ON\nREADY?\n", "READY 1\n"})
		},
		scope: func(c *client) {
			c.exchange(turn{"CH1:SCALE 0.05\nCH2:SCALE 0.05\nTIME:RATE 5E8\nTIME:POINTS 10000\nTIME:POINTS?\n", "TIME:POINTS 10000\n"})
		},
		capture: func(c *client) (codes [2][]int16) {
			c.exchange(turn{"ACQUIRE SINGLE\n", ""})
			c.await("ACQUIRE:STATE?\n", "ACQUIRE:STATE STOPPED\n")
			return [2][]int16{curve(c, 1), curve(c, 2)}
		},
	}
	bundled := speaker{
		family: Bundled, full: 0.4, samples: 10000,
		generator: func(c *client) { c.exchange(turn{"F 30\nA 0.63246\nRF 1\nRF?\n", "1\n"}) },
		scope: func(c *client) {
			c.exchange(turn{"RANGE 1,0.4\nRANGE 2,0.4\nWINDOW 500000000,10000\nSTATUS?\n", "0\n"})
		},
		capture: func(c *client) (codes [2][]int16) {
			c.exchange(turn{"START\n", ""})
			c.await("STATUS?\n", "1\n")
			c.exchange(turn{"DATA?\n", "#0"})
			for i := range codes {
				data := c.take(4 * 10000)
				for at := 0; at < len(data); at += 4 {
					v := math.Float32frombits(binary.LittleEndian.Uint32(data[at:]))
					codes[i] = append(codes[i], voltsToCode(c.t, float64(v), 0.4))
				}
			}
			c.exchange(turn{"", "\n"})
			return codes
		},
	}
	spoken := speaker{
		family: Spoken, full: 0.4, samples: 1000,
		generator: func(c *client) {
			c.exchanges(echoed("freq 30.000000 MHz", "", "level 0.2236 V", "", "output on", "", "problem", "none"))
		},
		scope: func(c *client) {
			c.exchanges(echoed("scale a 50 mV", "", "scale b 50 mV", "", "sweep 500 MHz 1000", "", "problem", "none"))
		},
		capture: func(c *client) (codes [2][]int16) {
			c.exchanges(echoed("single", ""))
			c.await("state\r", "state\ridle\r\n")
			for i, name := range []string{"a", "b"} {
				c.exchange(turn{"volts " + name + "\r", "volts " + name + "\r"})
				line, err := c.in.ReadString('\n')
				if err != nil {
					c.t.Fatal(err)
				}
				for text := range strings.SplitSeq(strings.TrimSuffix(line, "\r\n"), ",") {
					v, err := strconv.ParseFloat(text, 64)
					if err != nil {
						c.t.Fatal(err)
					}
					codes[i] = append(codes[i], voltsToCode(c.t, v, 0.4))
				}
			}
			return codes
		},
	}
	coded := func(format string, width int, code func([]byte) int) speaker {
		return speaker{
			family: Coded, full: 0.5, samples: 10000,
			generator: func(c *client) { c.exchange(turn{"FREQ 30000000;FREQ?\nLEV 0;LEV?\nOUT 1;OUT?\n", "30000000\n0\n1\n"}) },
			scope: func(c *client) {
				c.exchange(turn{"FORMAT " + format + "\nVDIV 1 0.05;VDIV? 1\nVDIV 2 0.05;VDIV? 2\nRATE 5E8;RATE?\nDEPTH 10000;DEPTH?\n", "0.05\n0.05\n500000000\n10000\n"})
			},
			capture: func(c *client) [2][]int16 {
				c.exchange(turn{"GO\n", ""})
				c.await("DONE?\n", "1\n")
				return interleaved(c, width, code)
			},
		}
	}
	return []speaker{
		scpi, headed, bundled, spoken,
		coded("2,U,LOW", 2, func(b []byte) int { return (int(binary.LittleEndian.Uint16(b)) - 32768) / 256 }),
		coded("2,S,HIGH", 2, func(b []byte) int { return int(int16(binary.BigEndian.Uint16(b))) / 256 }),
		coded("1,U,LOW", 1, func(b []byte) int { return int(b[0]) - 128 }),
		coded("1,S,HIGH", 1, func(b []byte) int { return int(int8(b[0])) }),
	}
}

// The same settings give the very codes of the converter in every tongue, and a
// bench that is set again after an interruption gives them again.
func TestOnePhysicsBehindAllTongues(t *testing.T) {
	for _, s := range speakers() {
		t.Run(string(s.family), func(t *testing.T) {
			scenario := load(t, "good-balun")
			b := newBench(scenario, s.family)
			b.generator = generatorState{frequency: 30e6, level: 0, on: true}
			b.scope.ranges = [channels]units.Volts{s.full, s.full}
			b.scope.points = s.samples
			b.fixture = FitBalun
			var want [2][2][]int16
			for i := range want {
				b.acquire()
				want[i] = [2][]int16{slices.Clone(b.record[0]), slices.Clone(b.record[1])}
			}
			server := serve(t, "good-balun", Options{GeneratorSpeaks: s.family, ScopeSpeaks: s.family})
			server.FitForMeasurement()
			for round := range 2 {
				g, c := dial(t, server.GeneratorAddress()), dial(t, server.ScopeAddress())
				s.generator(g)
				s.scope(c)
				for i := range want {
					got := s.capture(c)
					if !slices.Equal(got[0], want[i][0]) || !slices.Equal(got[1], want[i][1]) {
						t.Fatalf("round %d, capture %d: %v…, want %v…", round, i, got[0][:8], want[i][0][:8])
					}
				}
			}
		})
	}
}

// Rails of each tongue: far more than full scale.
func TestRailsInEveryTongue(t *testing.T) {
	for _, s := range speakers() {
		scenario := load(t, "good-balun")
		scenario.Generator.LevelError.Offset = 20
		server, err := Serve(context.Background(), scenario, Options{GeneratorSpeaks: s.family, ScopeSpeaks: s.family})
		if err != nil {
			t.Fatal(err)
		}
		g, c := dial(t, server.GeneratorAddress()), dial(t, server.ScopeAddress())
		s.generator(g)
		s.scope(c)
		for i, codes := range s.capture(c) {
			if low, high := slices.Min(codes), slices.Max(codes); low != -128 || high != 127 {
				t.Errorf("%s, arm %d: rails %d and %d", s.family, i+1, low, high)
			}
		}
		if err := server.Close(); err != nil {
			t.Error(err)
		}
	}
}

// What takes time is not there before it.
func TestNothingIsReadyTooSoon(t *testing.T) {
	scenario := load(t, "good-balun")
	scenario.Scope.Acquire = 60
	for family, list := range map[Family][]turn{
		Headed:  {{"ACQUIRE SINGLE\nACQUIRE:STATE?\nCURVE?\nERRORS?\n", "ACQUIRE:STATE RUNNING\nERRORS 230,\"Data corrupt or stale\"\n"}, {"TIME:POINTS 100\nACQUIRE:STATE?\n", "ACQUIRE:STATE STOPPED\n"}},
		Bundled: {{"START\nSTATUS?\nDATA?\nSTATUS?\n", "0\n32\n"}},
		Spoken:  echoed("single", "", "state", "busy", "volts a", "", "problem", "data corrupt or stale"),
		Coded:   {{"GO;DONE?\nBOTH?\nERR?\n", "0\n230\n"}},
	} {
		s, err := Serve(context.Background(), scenario, Options{ScopeSpeaks: family})
		if err != nil {
			t.Fatal(err)
		}
		dial(t, s.ScopeAddress()).exchanges(list)
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
	scenario = load(t, "good-balun")
	scenario.Generator.Settle = 60
	s, err := Serve(context.Background(), scenario, Options{GeneratorSpeaks: Headed})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	dial(t, s.GeneratorAddress()).exchange(turn{"READY?\nLEVEL 0\nREADY?\n", "READY 1\nREADY 0\n"})
}

// The faults of package device, in every tongue.
func TestInterferenceInEveryTongue(t *testing.T) {
	for _, c := range []struct {
		family   Family
		set, ask string // of the level, as sent
		end      string // of a message
		value    string // reply to ask, as sent and with its end
		replyEnd string
		problem  turn // after a refusal
		identity turn
	}{
		{Headed, "LEVEL -3", "LEVEL?", "\n", "LEVEL -3.00 DBM", "\n", turn{"ERRORS?\n", "ERRORS 222,\"Data out of range\"\n"}, turn{"*IDN?\n", "HALFTURN,headed generator,0,1\n"}},
		{Bundled, "A 0.5", "A?", "\n", "0.5", "\n", turn{"STATUS?\n", "32\n"}, turn{"*IDN?\n", "HALFTURN,bundled generator,0,1\n"}},
		{Spoken, "level 0.5 V", "level", "\r", "0.5 V", "\r\n", turn{"problem\r", "problem\rdata out of range\r\n"}, turn{"ident\r", "ident\rspoken generator 0.1\r\n"}},
		{Coded, "LEV -3", "LEV?", "\n", "-3", "\n", turn{"ERR?\n", "222\n"}, turn{"ID?\n", "HALFTURN,coded generator,0,1\n"}},
	} {
		t.Run(string(c.family), func(t *testing.T) {
			s := serve(t, "good-balun", Options{GeneratorSpeaks: c.family})
			echo := func(message string) string {
				if c.family == Spoken {
					return message + c.end
				}
				return ""
			}
			whole := turn{c.ask + c.end, echo(c.ask) + c.value + c.replyEnd}
			set := turn{c.set + c.end, echo(c.set)}
			fault := func(command string, f device.Fault) { s.Interfere(Generator, device.OnNth(command, 1, f)) }
			g := dial(t, s.GeneratorAddress())
			g.exchanges([]turn{set, whole})

			fault(c.ask, device.Nothing)
			g.exchanges([]turn{{c.ask + c.end, echo(c.ask)}, c.identity})
			fault(c.ask, device.Say("garbage\x00"))
			g.exchange(turn{c.ask + c.end, echo(c.ask) + "garbage\x00" + c.replyEnd})
			fault(c.ask, device.Late(20*time.Millisecond))
			g.exchange(whole)
			other := strings.NewReplacer("-3", "-4", "0.5", "0.25").Replace(c.set)
			s.Interfere(Generator, device.FromNth(other, 1, device.Refuse(device.DataOutOfRange)))
			g.exchanges([]turn{{other + c.end, echo(other)}, c.problem, whole})

			var seen []string
			s.Interfere(Generator, func(command string, reply []byte) Action {
				seen = append(seen, command+"="+string(reply))
				return Action{}
			})
			g.exchanges([]turn{set, whole})
			s.Interfere(Generator, nil)
			if want := []string{c.set + "=", c.ask + "=" + c.value}; !slices.Equal(seen, want) {
				t.Errorf("the hook saw %q, want %q", seen, want)
			}

			fault(c.ask, device.HalfThenHangUp)
			if _, err := io.WriteString(g.link, c.ask+c.end); err != nil {
				t.Fatal(err)
			}
			if got, err := io.ReadAll(g.in); err != nil || string(got) != echo(c.ask)+c.value[:len(c.value)/2] {
				t.Errorf("%q, %v before the link ended", got, err)
			}
			g = dial(t, s.GeneratorAddress())
			g.exchange(whole)
			fault(c.set, device.Reboot)
			if _, err := io.WriteString(g.link, c.set+c.end); err != nil {
				t.Fatal(err)
			}
			if got, err := io.ReadAll(g.in); err != nil || string(got) != echo(c.set) {
				t.Errorf("%q, %v before the link ended", got, err)
			}
			if level := (signalGenerator{s.bench}).Level(); level != minLevel {
				t.Errorf("%v after a reboot", level)
			}
			dial(t, s.GeneratorAddress()).exchange(c.identity)
		})
	}
}

// Blocks of each tongue with the faults for blocks.
func TestBlockFaultsInEveryTongue(t *testing.T) {
	const n = 100
	for _, c := range []struct {
		family          Family
		start, ask      string
		short, miscount string // headers
		bytes           int    // of the whole block
		end             string
	}{
		{Headed, "TIME:POINTS 100\nACQUIRE SINGLE\n", "CURVE?\n", "CURVE #3200", "CURVE #3198", 2 * n, "\n"},
		{Bundled, "WINDOW 5E8,100\nSTART\n", "DATA?\n", "#0", "#0", 8 * n, "\n"},
		{Coded, "DEPTH 100;GO\n", "BOTH?\n", "#3400", "#3398", 4 * n, ""},
	} {
		s := serve(t, "good-balun", Options{ScopeSpeaks: c.family})
		g := dial(t, s.ScopeAddress())
		g.exchange(turn{c.start, ""})
		time.Sleep(10 * time.Millisecond) // longer than any of them acquires
		again := turn{"nonsense\n", ""}
		s.Interfere(Scope, device.OnNth(c.ask[:3], 1, device.ShortBlock))
		g.exchange(turn{c.ask, c.short})
		g.take(c.bytes / 2)
		g.exchange(turn{"", c.end})
		s.Interfere(Scope, device.OnNth(c.ask[:3], 1, device.WrongCount))
		g.exchange(turn{c.ask, c.miscount})
		g.take(c.bytes - 2)
		g.exchange(turn{"", c.end})
		s.Interfere(Scope, device.OnNth(c.ask[:3], 1, device.Text))
		g.exchanges([]turn{{c.ask, "UNCAL\n"}, again})
	}
	if got := string(device.WrongCount([]byte("0.1,-0.2,0.3")).Reply); got != "0.1,-0.2" {
		t.Errorf("a list of one number less is %q", got)
	}
}

// A message in two halves is one; one without an end is too long at some time,
// and the next is understood.
func TestHalfAndEndlessMessages(t *testing.T) {
	long := strings.Repeat("x", 20000)
	for family, list := range map[Family][]turn{
		Headed:  {{"LEV", ""}, {"EL?\nLEVEL?\n", "LEVEL -60.00 DBM\nLEVEL -60.00 DBM\n"}, {long + "\nERRORS?\n", "ERRORS 363,\"Input buffer overrun\"\n"}},
		Bundled: {{"R", ""}, {"F?\n", "0\n"}, {long + "\nSTATUS?\n", "32\n"}},
		Spoken:  {{"out", ""}, {"put\r", "output\roff\r\n"}, {long + "\rproblem\r", "problem\rinput buffer overrun\r\n"}},
		Coded:   {{"LEV 0;LE", ""}, {"V?\n", "0\n"}, {long + "\nERR?\n", "363\n"}},
	} {
		s := serve(t, "good-balun", Options{GeneratorSpeaks: family})
		c := dial(t, s.GeneratorAddress())
		for _, e := range list {
			c.exchange(e)
			time.Sleep(5 * time.Millisecond) // so that a half arrives by itself
		}
		if _, err := io.WriteString(c.link, "half a mess"); err != nil {
			t.Fatal(err)
		}
		c.link.(net.Conn).Close()
	}
}

func TestUnknownFamily(t *testing.T) {
	for _, o := range []Options{{GeneratorSpeaks: "sung"}, {ScopeSpeaks: "sung"}} {
		if s, err := Serve(context.Background(), load(t, "good-balun"), o); err == nil {
			s.Close()
			t.Error("served")
		} else if !strings.Contains(err.Error(), `"sung" is not one of scpi99, headed`) {
			t.Error(err)
		}
	}
}

// Whatever comes, an instrument of any family is still there afterwards.
func FuzzTongues(f *testing.F) {
	for i, seed := range []string{
		"*IDN?\nFREQUENCY 1e7\nLEVEL?\n", "CH1:SCALE 0.05\nACQUIRE SINGLE\nCURVE?\nPREAMBLE?\nSELECT 2\n",
		"F 30\nA 0.6325\nRF 1\nSTATUS?\n", "RANGE 1,0.4\nWINDOW 5e8,16\nSTART\nDATA?\nRANGE? 2\nRANGE ,\n",
		"freq 30 MHz\rlevel 0 V\rlevel -1 V\r", "scale a 50 mV\rsweep 500 MHz 16\rsingle\rvolts a\rsweep 1 2\rscale a 5 mV 6 7\r",
		"FREQ 1;FREQ?;;OUT 1\n", "FORMAT 1,S,LOW;GO;BOTH?\nVDIV 2 0.05;VDIV? 2\nVDIV  \nFORMAT ,,\n",
		strings.Repeat("F", 5000) + "\n", "\x00\xff\r\n\x13\x11", "A 1e-320\nA nan\nWINDOW 0,0\nRATE 1e-320\nTIME:RATE 1E400\n",
	} {
		f.Add(uint8(i), []byte(seed))
	}
	idle := map[Family]turn{
		SCPI99:  {"\n*IDN?\n", "halfturn,simulated "},
		Headed:  {"\n*IDN?\n", "HALFTURN,headed "},
		Bundled: {"\n*IDN?\n", "HALFTURN,bundled "},
		Spoken:  {"\rident\r", "ident\rspoken "},
		Coded:   {"\nID?\n", "HALFTURN,coded "},
	}
	scenario := load(f, "good-balun")
	f.Fuzz(func(t *testing.T, which uint8, data []byte) {
		family := Families()[int(which/2)%len(Families())]
		d, err := family.device(Instrument(which%2), newBench(scenario, family))
		if err != nil {
			t.Fatal(err)
		}
		ours, theirs := net.Pipe()
		ended := make(chan error)
		go func() { ended <- d.Converse(t.Context(), theirs, nil) }()
		replies := make(chan string)
		go func() {
			all, _ := io.ReadAll(ours) // ends when the pipe is closed
			replies <- string(all)
		}()
		last := idle[family]
		for _, part := range []string{string(data), last.send, last.send[:1]} {
			if _, err := io.WriteString(ours, part); err != nil {
				t.Fatal(err)
			}
		}
		theirs.Close()
		got := <-replies
		ours.Close()
		<-ended
		if !strings.Contains(got, last.want) {
			t.Fatalf("%s after %q: %q", family, data, got)
		}
	})
}
