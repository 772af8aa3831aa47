package dialect

import (
	"bufio"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"halfturn/drivers"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// peer is an instrument on a TCP socket: it remembers what each header was
// set to ("A 1") and answers its query ("A?") with it.
type peer struct {
	t          testing.TB
	listener   net.Listener
	terminator string
	identity   string // empty: the answer's

	mu       sync.Mutex
	set      map[string]string
	messages []string // received, in order, without identity and error queries
	// answer is asked first. What it returns is sent as it is; nil leaves the
	// message to the peer, hangUp closes the connection after what was sent.
	answer func(message string) (reply []byte, hangUp bool)

	connections []net.Conn
	served      sync.WaitGroup
}

const peerIdentity = "Test,peer,1,1"

// silence is an answer without a byte.
var silence = []byte{}

func newPeer(t testing.TB, terminator string) *peer {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &peer{t: t, listener: l, terminator: terminator, identity: peerIdentity, set: map[string]string{}}
	p.served.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			p.mu.Lock()
			p.connections = append(p.connections, c)
			p.mu.Unlock()
			p.served.Go(func() { p.serve(c) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		p.drop()
		p.served.Wait()
	})
	return p
}

func (p *peer) config(dialect string) drivers.Config {
	return drivers.Config{Address: "tcp://" + p.listener.Addr().String(), Dialect: dialect, TimeLimit: 300 * time.Millisecond}
}

// drop closes all connections, as an instrument does that is switched off.
func (p *peer) drop() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.connections {
		c.Close()
	}
	p.connections = nil
}

func (p *peer) serve(c net.Conn) {
	defer c.Close()
	in := bufio.NewReader(c)
	last := p.terminator[len(p.terminator)-1]
	for {
		line, err := in.ReadString(last)
		if err != nil {
			return
		}
		message, ended := strings.CutSuffix(line, p.terminator)
		if !ended {
			p.t.Errorf("%q does not end in %q", line, p.terminator)
		}
		reply, hangUp := p.reply(message)
		if _, err := c.Write(reply); err != nil || hangUp {
			return
		}
	}
}

func (p *peer) reply(message string) (reply []byte, hangUp bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.identity != "" && (message == "*IDN?" || message == "who") {
		return []byte(p.identity + "\n"), false
	}
	if message != ":SYSTem:ERRor?" {
		p.messages = append(p.messages, message)
	}
	if p.answer != nil {
		if reply, hangUp := p.answer(message); reply != nil || hangUp {
			return reply, hangUp
		}
	}
	switch {
	case message == ":SYSTem:ERRor?":
		return []byte("0,\"No error\"\n"), false
	case message == "*OPC?":
		return []byte("1\n"), false
	case strings.HasSuffix(message, "?"):
		return []byte(p.set[strings.TrimSpace(message[:len(message)-1])] + "\n"), false
	}
	if i := strings.LastIndexByte(message, ' '); i > 0 {
		p.set[message[:i]] = message[i+1:]
	}
	return silence, false
}

// answering sets the answer.
func (p *peer) answering(f func(message string) ([]byte, bool)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.answer = f
}

// took returns the messages since the last call, without queries.
func (p *peer) took() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	m := slices.DeleteFunc(p.messages, func(s string) bool { return strings.HasSuffix(s, "?") })
	p.messages = nil
	return m
}
