package hislip_test

import (
	"bufio"
	"io"
	"net"
	"testing"
	"time"

	"halfturn/drivers/link/hislip"
)

// serve runs a peer that answers each message with itself in brackets; the
// far ends here are clients that send bytes.
func serve(t *testing.T, o hislip.PeerOptions) (p *hislip.Peer, connect func() far) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p = hislip.Serve(listener, o, func(c hislip.Client) {
		for lines := bufio.NewScanner(c); lines.Scan(); {
			if _, err := io.WriteString(c, "["+lines.Text()+"]\n"); err != nil {
				return
			}
		}
	})
	t.Cleanup(func() { p.Close() })
	dial := func() net.Conn {
		c, err := net.Dial("tcp", listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		if err := c.SetDeadline(time.Now().Add(5 * time.Second)); err != nil {
			t.Fatal(err)
		}
		return c
	}
	return p, func() far { return far{t, dial(), dial()} }
}

// answer sends and expects.
func (f far) answer(c net.Conn, sent, want []byte) {
	f.t.Helper()
	f.say(c, sent)
	if want != nil {
		f.expect(c, want)
	}
}

func (f far) setUp(id uint32) {
	f.t.Helper()
	f.answer(f.sync, sendsInitialize, raw(1, 0, 0x01000000|id, ""))
	f.answer(f.async, raw(17, 0, id, ""), raw(18, 0, 0x5858, ""))
	f.answer(f.async, sendsMaximum, replyMaximum)
}

func TestPeer(t *testing.T) {
	p, connect := serve(t, hislip.PeerOptions{})
	f := connect()
	f.setUp(1)
	f.answer(f.sync, raw(7, 0, 0xffffff00, "a\n"), raw(7, 0, 0xffffff00, "[a]\n"))
	f.say(f.sync, raw(6, 1, 0xffffff02, "b"))
	f.answer(f.sync, raw(7, 0, 0xffffff04, "c"), raw(7, 0, 0xffffff04, "[bc]\n")) // END stands for a newline
	if n := p.Interruptions.Load(); n != 0 {
		t.Errorf("%d interruptions", n)
	}
	// Without RMT-delivered the last reply was not read: interrupted.
	f.answer(f.sync, raw(7, 0, 0xffffff06, "d\n"), append(raw(13, 0, 0xffffff06, ""), raw(7, 0, 0xffffff06, "[d]\n")...))
	f.expect(f.async, raw(14, 0, 0xffffff06, ""))
	if n := p.Interruptions.Load(); n != 1 {
		t.Errorf("%d interruptions", n)
	}
	// Device clear, with half a message before it and data while it goes on.
	f.say(f.sync, raw(6, 1, 0xffffff08, "half"))
	f.answer(f.async, raw(19, 0, 0, ""), raw(23, 0, 0, ""))
	f.say(f.sync, raw(7, 0, 0xffffff0a, "dropped\n"))
	f.answer(f.sync, raw(8, 0, 0, ""), raw(9, 0, 0, ""))
	f.answer(f.sync, raw(7, 0, 0xffffff00, "e\n"), raw(7, 0, 0xffffff00, "[e]\n"))
	// The rest of the second channel, and what is not known.
	f.answer(f.async, raw(21, 0, 0xffffff00, ""), raw(22, 0, 0, ""))
	f.answer(f.async, raw(4, 1, 0, ""), raw(5, 1, 0, ""))
	f.answer(f.async, raw(10, 1, 0xffffff00, ""), raw(11, 0, 0, ""))
	f.answer(f.async, raw(99, 0, 0, ""), raw(3, 1, 0, "unrecognized message type"))
	f.say(f.sync, raw(12, 1, 0xffffff02, "")) // Trigger: taken, and nothing happens
	f.answer(f.sync, raw(99, 0, 0, ""), raw(3, 1, 0, "unrecognized message type"))
}

// A reply is no longer than what the client takes.
func TestPeerKeepsToTheClientsSize(t *testing.T) {
	_, connect := serve(t, hislip.PeerOptions{})
	f := connect()
	f.answer(f.sync, sendsInitialize, raw(1, 0, 0x01000001, ""))
	f.answer(f.async, raw(17, 0, 1, ""), raw(18, 0, 0x5858, ""))
	f.answer(f.async, raw(15, 0, 0, "\x00\x00\x00\x00\x00\x00\x00\x02"), replyMaximum)
	f.answer(f.sync, raw(7, 0, 0xffffff00, "a\n"), append(raw(6, 0, 0xffffff00, "[a"), raw(7, 0, 0xffffff00, "]\n")...))
}

func TestPeerRefuses(t *testing.T) {
	_, connect := serve(t, hislip.PeerOptions{MaxSessions: 1, MaxMessage: 100})
	f := connect()
	f.answer(f.sync, raw(0, 0, 0x01005858, "hislip1"), raw(2, 3, 0, "no such device"))
	f.answer(f.async, raw(17, 0, 7, ""), raw(2, 3, 0, "no such session"))
	f = connect()
	f.answer(f.sync, raw(7, 0, 0, "x"), raw(2, 3, 0, "invalid initialization sequence"))
	f.answer(f.async, []byte("GET / HTTP/1.1\r\n\r\n"), raw(2, 1, 0, "poorly formed header"))
	f = connect()
	f.answer(f.sync, sendsInitialize, raw(1, 0, 0x01000001, ""))
	f.answer(f.async, raw(17, 0, 1, ""), raw(18, 0, 0x5858, ""))
	g := connect()
	g.answer(g.sync, sendsInitialize, raw(2, 4, 0, "maximum number of clients exceeded"))
	g.answer(g.async, raw(17, 0, 1, ""), raw(2, 3, 0, "no such session"))
	f.answer(f.sync, raw(7, 0, 0xffffff00, string(make([]byte, 101))), raw(3, 4, 0, "message too large"))
}

func TestPeerWantsBothChannels(t *testing.T) {
	_, connect := serve(t, hislip.PeerOptions{})
	f := connect()
	f.answer(f.sync, sendsInitialize, raw(1, 0, 0x01000001, ""))
	f.answer(f.sync, raw(7, 0, 0xffffff00, "a\n"), raw(2, 2, 0, "both channels are not established"))
}
