package vxi11_test

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"io"
	"net"
	"testing"
	"time"

	"halfturn/drivers/link/vxi11"
)

// TestPeer calls a peer value by value.
func TestPeer(t *testing.T) {
	var listeners [2]net.Listener
	var conns [2]net.Conn
	for i := range listeners {
		var err error
		if listeners[i], err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
			t.Fatal(err)
		}
	}
	p := vxi11.Serve(listeners[0], listeners[1], vxi11.PeerOptions{MaxWrite: 100}, func(c vxi11.Client) {
		for lines := bufio.NewScanner(c); lines.Scan(); {
			if _, err := io.WriteString(c, "["+lines.Text()+"]\n"); err != nil {
				return
			}
		}
	})
	defer p.Close()
	for i, l := range listeners {
		var err error
		if conns[i], err = net.Dial("tcp", l.Addr().String()); err != nil {
			t.Fatal(err)
		}
		defer conns[i].Close()
		if err := conns[i].SetDeadline(time.Now().Add(5 * time.Second)); err != nil {
			t.Fatal(err)
		}
	}
	xid := uint32(1000)
	exchange := func(c net.Conn, version, program, programVersion, procedure uint32, arguments []byte) []byte {
		t.Helper()
		xid++
		if _, err := c.Write(record(join(words(xid, 0, version, program, programVersion, procedure, 0, 0, 0, 0), arguments))); err != nil {
			t.Fatal(err)
		}
		var mark [4]byte
		if _, err := io.ReadFull(c, mark[:]); err != nil {
			t.Fatal(err)
		}
		b := make([]byte, binary.BigEndian.Uint32(mark[:])&^(1<<31))
		if _, err := io.ReadFull(c, b); err != nil {
			t.Fatal(err)
		}
		if !bytes.HasPrefix(b, words(xid, 1)) {
			t.Fatalf("the reply begins with % x", b)
		}
		return b[8:]
	}
	expect := func(what string, got, want []byte) {
		t.Helper()
		if !bytes.Equal(got, want) {
			t.Errorf("%s: % x, want % x", what, got, want)
		}
	}
	good := func(results []byte) []byte { return join(words(0, 0, 0, 0), results) }
	mapper := func(arguments ...uint32) []byte { return exchange(conns[0], 2, 100000, 2, 3, words(arguments...)) }
	call := func(procedure uint32, arguments ...[]byte) []byte {
		return exchange(conns[1], 2, core, 1, procedure, join(arguments...))
	}

	port := uint32(listeners[1].Addr().(*net.TCPAddr).Port)
	expect("GETPORT", mapper(core, 1, 6, 0), good(words(port)))
	expect("GETPORT over UDP", mapper(core, 1, 17, 0), good(words(0)))
	expect("GETPORT of another", mapper(100003, 3, 6, 0), good(words(0)))
	expect("GETPORT without arguments", mapper(), words(0, 0, 0, 4))
	expect("null procedure", exchange(conns[0], 2, 100000, 2, 0, nil), good(nil))
	expect("DUMP", exchange(conns[0], 2, 100000, 2, 4, nil), words(0, 0, 0, 3))
	expect("version 3 of the portmapper", exchange(conns[0], 2, 100000, 3, 3, nil), words(0, 0, 0, 2, 2, 2))
	expect("another program", exchange(conns[0], 2, 100001, 2, 3, nil), words(0, 0, 0, 1))
	expect("version 3 of RPC", exchange(conns[0], 3, 100000, 2, 3, nil), words(1, 0, 2, 2))

	expect("core in version 2", exchange(conns[1], 2, core, 2, 10, nil), words(0, 0, 0, 2, 1, 1))
	expect("portmapper on the core's port", exchange(conns[1], 2, 100000, 2, 3, nil), words(0, 0, 0, 1))
	expect("null procedure", call(0), good(nil))
	expect("device_docmd", call(22), words(0, 0, 0, 3))
	expect("create_link without arguments", call(10), words(0, 0, 0, 4))
	expect("create_link of another", call(10, words(1, 0, 0), text("inst1")), good(words(3, 0, 0, 0)))
	expect("create_link", call(10, words(1, 0, 0), text("inst0")), good(words(0, 1, 0, 100)))
	expect("device_write without data", call(11, words(1, 0, 0, 8)), words(0, 0, 0, 4))
	expect("device_write on no link", call(11, words(9, 0, 0, 8), text("x\n")), good(words(4, 0)))
	expect("device_read on no link", call(12, words(9, 10, 0, 0, 0, 0)), good(words(4, 0, 0)))
	expect("device_clear on no link", call(15, words(9, 0, 0, 0)), good(words(4)))
	expect("destroy_link of none", call(23, words(9)), good(words(4)))
	expect("device_write of too much", call(11, words(1, 0, 0, 8), text(string(make([]byte, 101)))), good(words(5, 0)))
	expect("device_read of nothing", call(12, words(1, 10, 1, 0, 0, 0)), good(words(15, 0, 0)))
	expect("device_write, more to come", call(11, words(1, 0, 0, 0), text("abc")), good(words(0, 3)))
	expect("device_write, END", call(11, words(1, 0, 0, 8), text("de")), good(words(0, 2)))
	expect("device_read of a part", call(12, words(1, 3, 5000, 0, 0, 0)), good(join(words(0, 1), text("[ab"))))
	expect("device_read of the rest", call(12, words(1, 100, 5000, 0, 0, 0)), good(join(words(0, 4), text("cde]\n"))))
	expect("device_readstb", call(13, words(1, 0, 0, 0)), good(words(0, 0)))
	expect("device_write", call(11, words(1, 0, 0, 0), text("half")), good(words(0, 4)))
	expect("device_clear", call(15, words(1, 0, 0, 0)), good(words(0)))
	expect("device_write", call(11, words(1, 0, 0, 8), text("f\n")), good(words(0, 2)))
	expect("device_read after a clear", call(12, words(1, 100, 5000, 0, 0, 0)), good(join(words(0, 4), text("[f]\n"))))
	expect("destroy_link", call(23, words(1)), good(words(0)))
	expect("device_read of a link that was", call(12, words(1, 10, 0, 0, 0, 0)), good(words(4, 0, 0)))
	expect("create_link again", call(10, words(1, 0, 0), text("inst0")), good(words(0, 2, 0, 100)))
}
