package link_test

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"maps"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"halfturn/drivers/scpi"
)

// matrixLink is a kind of link that the fault matrix goes over.
type matrixLink struct {
	name  string
	start func(t testing.TB, serve func(io.ReadWriteCloser)) (address string)
	// stays: a line that does not notice that a program comes or goes. It is
	// served once, and cannot be hung up.
	stays bool
}

// matrixLinks: another kind of link is another line.
var matrixLinks = []matrixLink{
	{name: "tcp", start: overTCP},
	{name: "hislip", start: starts["hislip"]},
	{name: "vxi11", start: starts["vxi11"]},
	{name: "usbtmc", start: starts["usbtmc"]},
}

func overTCP(t testing.TB, serve func(io.ReadWriteCloser)) string {
	l := listen(t)
	var serving sync.WaitGroup
	var mu sync.Mutex
	var clients []net.Conn
	serving.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			mu.Lock()
			clients = append(clients, c)
			mu.Unlock()
			serving.Go(func() { serve(c); c.Close() })
		}
	})
	t.Cleanup(func() {
		l.Close()
		mu.Lock()
		for _, c := range clients {
			c.Close()
		}
		mu.Unlock()
		serving.Wait()
	})
	return "tcp://" + l.Addr().String()
}

// passing is a test within a test, which cleans up when it is over: of all
// links at once there would be too many open files.
type passing struct {
	testing.TB
	cleanups []func()
}

func (p *passing) Cleanup(f func()) { p.cleanups = append(p.cleanups, f) }

func (p *passing) end() {
	for _, f := range slices.Backward(p.cleanups) {
		f()
	}
}

// faulty is an instrument that remembers what each header was set to and
// answers its query with it, and that does one thing wrong when told to.
type faulty struct {
	stays bool
	limit time.Duration // the driver's

	mu       sync.Mutex
	set      map[string]string
	acquired int
	log      []string // messages
	clients  map[io.ReadWriteCloser]bool
	down     bool // switched off, or booting
	fault    string
	on       string // the message that the fault comes with
	lasting  bool   // it comes each time
}

func newFaulty(stays bool, limit time.Duration) *faulty {
	return &faulty{stays: stays, limit: limit, set: map[string]string{}, clients: map[io.ReadWriteCloser]bool{}}
}

// wrongAnswers are well formed and not true.
var wrongAnswers = map[string]string{
	"*IDN?":              "ANOTHER MAKER,THING,1,1\n",
	"*OPC?":              "0\n",
	":SYSTem:ERRor?":     "-222,\"Data out of range\"\n",
	":SOURce:FREQuency?": "123456\n",
	":SOURce:POWer?":     "-50.0\n",
	":RANG1?":            "9\n",
	":POIN?":             "33\n",
	":PRE1?":             "0,0\n", // volts a code
	":CURV1?":            "#231" + strings.Repeat("\x05", 31) + "\n",
}

const (
	noAnswer   = "no answer"
	late       = "late"
	half       = "half"
	wrong      = "wrong"
	garbage    = "garbage"
	disconnect = "disconnect"
	reboot     = "reboot"
	idleReboot = "reboot, idle"
)

// arm has a fault come with a message.
func (f *faulty) arm(fault, message string, lasting bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.fault, f.on, f.lasting = fault, message, lasting
}

// due says which fault comes with a message.
func (f *faulty) due(message string) string {
	f.mu.Lock()
	defer f.mu.Unlock()
	if message != f.on {
		return ""
	}
	fault := f.fault
	if !f.lasting {
		f.on = ""
	}
	return fault
}

// count is how often a message came.
func (f *faulty) count(message string) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	n := 0
	for _, m := range f.log {
		if m == message {
			n++
		}
	}
	return n
}

func (f *faulty) settings() map[string]string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return maps.Clone(f.set)
}

// goDown forgets all settings and hangs up on everybody.
func (f *faulty) goDown() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.down = true
	clear(f.set)
	f.hangUp()
}

// hangUp is called with mu held.
func (f *faulty) hangUp() {
	if !f.stays {
		for c := range f.clients {
			_ = c.Close()
		}
	}
}

// drop hangs up; on a line that stays it says something that nobody asked for.
func (f *faulty) drop() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.hangUp()
	f.greet()
}

// comeUp answers again, with a greeting on a line that stays.
func (f *faulty) comeUp() {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.down {
		f.down = false
		f.greet()
	}
}

// greet is called with mu held.
func (f *faulty) greet() {
	if f.stays {
		for c := range f.clients {
			_, _ = io.WriteString(c, "ready to serve\n")
		}
	}
}

func (f *faulty) isDown() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.down
}

func (f *faulty) serve(c io.ReadWriteCloser) {
	f.mu.Lock()
	f.clients[c] = true
	gone := f.down && !f.stays
	f.mu.Unlock()
	defer func() {
		f.mu.Lock()
		delete(f.clients, c)
		f.mu.Unlock()
	}()
	if gone {
		return
	}
	for lines := bufio.NewScanner(c); lines.Scan(); {
		message := strings.TrimRight(lines.Text(), "\r")
		if f.isDown() {
			continue // a line that stays; others are closed
		}
		reply := f.reply(message)
		switch f.due(message) {
		case noAnswer:
			reply = nil
		case late:
			time.Sleep(f.limit * 3 / 2)
		case half:
			reply = reply[:len(reply)/2]
		case wrong:
			reply = []byte(wrongAnswers[message])
			if message == ":OUTPut?" {
				reply = []byte(map[string]string{"ON": "0\n"}[f.settings()[":OUTPut"]])
				if len(reply) == 0 {
					reply = []byte("1\n")
				}
			}
		case garbage:
			reply = []byte("\x91\x02\xfe\n")
		case disconnect:
			if !f.stays {
				return
			}
			reply = nil // the cable was pulled for a moment
		case reboot:
			f.goDown()
			if !f.stays {
				return
			}
			reply = nil
		}
		if len(reply) > 0 {
			if _, err := c.Write(reply); err != nil {
				return
			}
		}
	}
}

// samples of a record, each of them the number of the acquisition.
const matrixSamples = 32

func (f *faulty) reply(message string) []byte {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.log = append(f.log, message)
	query, asked := strings.CutSuffix(message, "?")
	switch {
	case message == "*IDN?":
		return []byte(identity + "\n")
	case message == "*OPC?":
		return []byte("1\n")
	case message == ":SYSTem:ERRor?":
		return []byte("0,\"No error\"\n")
	case message == "*RST":
		clear(f.set)
	case message == ":INIT":
		f.acquired++
	case strings.HasPrefix(query, ":CURV") && asked:
		return append(scpi.AppendBlock(nil, bytes.Repeat([]byte{byte(f.acquired)}, matrixSamples)), '\n')
	case strings.HasPrefix(query, ":PRE") && asked:
		return []byte("0.01,0\n")
	case message == ":OUTPut?":
		return []byte(map[bool]string{true: "1\n", false: "0\n"}[f.set[":OUTPut"] == "ON"])
	case asked:
		return []byte(f.set[query] + "\n")
	default:
		if header, value, found := strings.Cut(message, " "); found {
			f.set[header] = value
		}
	}
	return nil
}

// matrixScope is a dialect with every verb.
const matrixScope = `format: 1
instrument: scope
link: {terminator: LF, time_limit: 1 s, identity: "*IDN?", errors: ":SYSTem:ERRor?"}
abilities:
  channels: [1, 2]
  ranges: [1 V, 2 V]
  windows: [{rate: 1 MHz, samples: 32}]
  input_limit: 5 V
  settle: 0 s
numbers:
  range: {unit: V, decimals: 3}
  rate: {unit: Hz, decimals: 0}
prepare: {send: ["*RST", "*CLS"], wait: {ask: "*OPC?", reply: 1}}
range: {send: ":RANG{{.channel}} {{.range}}", confirm: {ask: ":RANG{{.channel}}?", within: 1 mV}}
window:
  send: [":POIN {{.samples}}", ":RATE {{.rate}}"]
  confirm: [{ask: ":POIN?", is: samples, within: 0}, {ask: ":RATE?", is: rate, within: 1 Hz}]
acquire: {start: ":INIT", wait: {ask: "*OPC?", reply: 1}}
read: {ask: ":CURV{{.channel}}?", encoding: int8}
scale:
  ask: [{query: ":PRE{{.channel}}?", fields: {step: 1, middle: 2}}]
  volts_per_code: step
  zero: middle
  rails: [-128, 127]
`

// differs says in which settings an instrument is not as it should be.
func (f *faulty) differs(want map[string]string) string {
	got := f.settings()
	var all []string
	for header, value := range want {
		if got[header] != value {
			all = append(all, fmt.Sprintf("%s is %q and should be %q", header, got[header], value))
		}
	}
	return strings.Join(all, ", ")
}
