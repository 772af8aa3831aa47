package scpi

import (
	"bytes"
	"context"
	"errors"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"halfturn/drivers"
)

func TestExchange(t *testing.T) {
	i := &instrument{answer: func(p peer, m string) bool {
		replies := map[string]string{
			"PLAIN?":      "1.5\n",
			"CRLF?":       "1.5\r\n",
			"NUL?":        "1.5\x00",
			"NULAFTER?":   "1.5\n\x00",
			"LFCR?":       "1.5\n\r",
			"LEADING?":    " \t\r\n 1.5 \n",
			"QUOTED?":     `"a;b"` + "\n",
			"LATIN?":      "50 \xb5s\n",
			"BLOCK?":      "#15a\nb\x00c\n",
			"BARE?":       "#13abc",
			"SPACED?":     " #13abc \r\n",
			"EMPTY?":      "#10\n",
			"INDEFINITE?": "#0a\nb\n",
		}
		say(p, replies[m])
		return replies[m] != ""
	}}
	c := dial(t, startTCP(t, i), patient)
	if c.Identity() != identity {
		t.Errorf("identity %q", c.Identity())
	}
	for range 2 {
		for _, query := range []string{"PLAIN?", "CRLF?", "NUL?", "NULAFTER?", "LFCR?", "LEADING?"} {
			ask(t, c, query, "1.5")
		}
		ask(t, c, "QUOTED?", `"a;b"`)
		ask(t, c, "LATIN?", "50 \xb5s")
		for query, want := range map[string]string{"BLOCK?": "a\nb\x00c", "BARE?": "abc", "SPACED?": "abc", "EMPTY?": "", "INDEFINITE?": "a\nb"} {
			if got, err := c.AskBlock(t.Context(), query, nil); err != nil || string(got) != want {
				t.Errorf("AskBlock(%q) = %q, %v", query, got, err)
			}
		}
		ask(t, c, "*OPC?", "1")
		if err := c.CheckErrors(t.Context()); err != nil {
			t.Error(err)
		}
	}
	if n := len(i.sockets); n != 1 {
		t.Errorf("%d connections were opened", n)
	}
}

func TestSend(t *testing.T) {
	i := &instrument{}
	c := dial(t, startTCP(t, i), func(o *Options) { patient(o); o.Terminator = "\r\n" })
	if err := c.Send(t.Context(), ":FREQ 1E6", ":VOLT 0.2"); err != nil {
		t.Fatal(err)
	}
	if err := c.Send(t.Context()); err != nil {
		t.Fatal(err)
	}
	ask(t, c, "*OPC?", "1")
	want := []string{":FREQ 1E6", ":VOLT 0.2", "*OPC?"}
	if got := i.messages(); !slices.Equal(got[len(got)-3:], want) {
		t.Errorf("the instrument got %q", got)
	}
}

func TestBlockUsesTheBuffer(t *testing.T) {
	payload := bytes.Repeat([]byte{1, '\n', '#'}, 5000)
	i := &instrument{answer: func(p peer, m string) bool {
		if m == "DATA?" {
			say(p, string(AppendBlock(nil, payload))+"\n")
		}
		return m == "DATA?"
	}}
	c := dial(t, startTCP(t, i), patient)
	buf := make([]byte, 1, 20000)
	got, err := c.AskBlock(t.Context(), "DATA?", buf)
	if err != nil || !bytes.Equal(got, payload) || &got[0] != &buf[0] {
		t.Fatalf("%d bytes, %v", len(got), err)
	}
}

// A carriage return alone ends messages both ways where it is the terminator.
func TestCarriageReturn(t *testing.T) {
	i := &instrument{identity: identity}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		p, err := listener.Accept()
		if err != nil {
			return
		}
		defer p.Close()
		var message []byte
		for b := make([]byte, 1); ; {
			if _, err := p.Read(b); err != nil {
				return
			}
			if b[0] != '\r' {
				message = append(message, b[0])
				continue
			}
			if string(message) == "*IDN?" {
				say(p, i.identity+"\r")
			} else {
				say(p, "3\r")
			}
			message = message[:0]
		}
	}()
	c := dial(t, "tcp://"+listener.Addr().String(), func(o *Options) { patient(o); o.Terminator = "\r" })
	ask(t, c, "N?", "3")
	c.Close()
	<-done
	listener.Close()
}

func TestErrorQueue(t *testing.T) {
	i := &instrument{}
	c := dial(t, startTCP(t, i), patient)
	i.set(func() { i.errors = []string{`-222,"Data out of range;:POW 99"`, `-113,"Undefined header"`} })
	err := c.CheckErrors(t.Context())
	wantError(t, err, drivers.ErrRefused, `-222 Data out of range;:POW 99, -113 Undefined header`)
	if err := c.CheckErrors(t.Context()); err != nil {
		t.Errorf("the queue was not emptied: %v", err)
	}
	if n := len(i.sockets); n != 1 {
		t.Errorf("a refusal cost a new connection")
	}

	// A queue that never empties is given up.
	i.set(func() { i.errors = slices.Repeat([]string{`-100,"Command error"`}, 10*maxErrors) })
	before := len(i.messages())
	wantError(t, c.CheckErrors(t.Context()), drivers.ErrRefused, "did not empty in 64 reads")
	if n := len(i.messages()) - before; n != maxErrors {
		t.Errorf("%d reads", n)
	}

	// What it held is not lost when the link breaks on the way.
	i.set(func() { i.errors = []string{`-222,"Data out of range"`, "rubbish"} })
	wantError(t, c.CheckErrors(t.Context()), drivers.ErrReply, "rubbish", "-222 Data out of range")

	none := dial(t, startTCP(t, &instrument{errors: []string{`-1,"x"`}}), func(o *Options) { o.NoErrorQueue = true })
	if err := none.CheckErrors(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestDialFails(t *testing.T) {
	silent := &instrument{answer: func(peer, string) bool { return true }}
	closing := &instrument{answer: func(p peer, _ string) bool { p.Close(); return true }}
	garbage := &instrument{answer: func(p peer, _ string) bool { say(p, "\x83\x01\xf2\n"); return true }}
	cases := []struct {
		name, address string
		kind          error
		want          string
	}{
		{"nobody listens", "tcp://127.0.0.1:1", drivers.ErrLink, "refused"},
		{"no address", "tcp//127.0.0.1:1", drivers.ErrLink, "no kind of link"},
		{"silence", startTCP(t, silent), drivers.ErrLink, "no reply came within 250ms"},
		{"closed at once", startTCP(t, closing), drivers.ErrLink, "closed the connection"},
		{"garbage", startTCP(t, garbage), drivers.ErrReply, "control characters"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := Dial(t.Context(), Options{Instrument: "scope", Address: c.address, TimeLimit: limit})
			wantError(t, err, c.kind, c.want)
		})
	}
}

func TestWithoutIdentity(t *testing.T) {
	i := &instrument{answer: func(p peer, m string) bool {
		if m == "N?" {
			say(p, "3\n")
		}
		return m == "N?"
	}}
	c := dial(t, startTCP(t, i), func(o *Options) { o.NoIdentity = true })
	ask(t, c, "N?", "3")
	if _, err := c.Ask(t.Context(), "NOTHING?"); err == nil {
		t.Fatal("no error")
	}
	askAgain(t, c, "N?", "3")
	if slices.Contains(i.messages(), "*IDN?") {
		t.Error("the identity was asked")
	}
}

func TestOtherIdentityQuery(t *testing.T) {
	i := &instrument{answer: func(p peer, m string) bool {
		if m == "ID?" {
			say(p, "OLD SAMPLER 7\n")
		}
		return true
	}}
	c := dial(t, startTCP(t, i), func(o *Options) { patient(o); o.IdentityQuery = "ID?"; o.NoErrorQueue = true })
	if c.Identity() != "OLD SAMPLER 7" {
		t.Errorf("identity %q", c.Identity())
	}
	ask(t, c, "ID?", "OLD SAMPLER 7")
}

func TestClosed(t *testing.T) {
	c := dial(t, startTCP(t, &instrument{}), nil)
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	wantError(t, c.Send(t.Context(), "X"), drivers.ErrLink, "closed")
}

// An exchange ends soon after its context, and says why.
func TestCancel(t *testing.T) {
	i := &instrument{answer: func(p peer, m string) bool { return m == "NOTHING?" }}
	c := dial(t, startTCP(t, i), func(o *Options) { o.TimeLimit = time.Minute })
	for _, call := range []func(context.Context) error{
		func(ctx context.Context) error { _, err := c.Ask(ctx, "NOTHING?"); return err },
		func(ctx context.Context) error { _, err := c.AskBlock(ctx, "NOTHING?", nil); return err },
	} {
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(20*time.Millisecond, cancel)
		start := time.Now()
		err := call(ctx)
		wantError(t, err, drivers.ErrLink, "given up")
		if !errors.Is(err, context.Canceled) {
			t.Errorf("%v: does not wrap context.Canceled", err)
		}
		if d := time.Since(start); d > 10*time.Second {
			t.Errorf("ended after %v", d)
		}
		// A context that is at its end already costs nothing.
		before := len(i.messages())
		wantError(t, call(ctx), drivers.ErrLink, "not sent")
		if n := len(i.messages()); n != before {
			t.Errorf("%d messages were sent", n-before)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	_, err := c.Ask(ctx, "NOTHING?")
	wantError(t, err, drivers.ErrLink)
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("%v: does not wrap context.DeadlineExceeded", err)
	}
}

func TestMessagesAreShortened(t *testing.T) {
	c := dial(t, startTCP(t, &instrument{answer: func(p peer, m string) bool {
		if strings.HasPrefix(m, "LONG") {
			say(p, "x\x01"+strings.Repeat("y", 5000)+"\n")
		}
		return strings.HasPrefix(m, "LONG")
	}}), nil)
	_, err := c.Ask(t.Context(), "LONG"+strings.Repeat("Z", 5000)+"?")
	wantError(t, err, drivers.ErrReply, "(5002 bytes)")
	if len(err.Error()) > 600 {
		t.Errorf("%d bytes of message", len(err.Error()))
	}
}

func TestReconnectSendsSettingsAgain(t *testing.T) {
	i := &instrument{}
	c := dial(t, startTCP(t, i), patient)
	restored := 0
	c.OnReconnect(func(ctx context.Context) error {
		restored++
		if err := c.Send(ctx, ":FREQ 1E6", ":OUTP ON"); err != nil {
			return err
		}
		return c.CheckErrors(ctx)
	})
	if restored != 0 {
		t.Fatal("the first connection is no reconnect")
	}
	i.newest().Close()                                       // a reboot
	i.set(func() { i.errors = []string{`-310,"System"`} })   // left from before
	time.Sleep(20 * time.Millisecond)                        // for the news to arrive
	if err := c.Send(t.Context(), ":FREQ 2E6"); err != nil { // noticed before it was lost
		t.Fatal(err)
	}
	ask(t, c, "*OPC?", "1")
	if restored != 1 {
		t.Errorf("the settings were sent %d times", restored)
	}
	got := i.messages()
	from := slices.Index(got, ":FREQ 1E6")
	want := []string{":FREQ 1E6", ":OUTP ON", ":SYSTem:ERRor?", ":FREQ 2E6", "*OPC?"}
	if d := cmp.Diff(want, got[max(from, 0):]); d != "" {
		t.Error(d)
	}
}

func TestSettingsThatCannotBeSentAgain(t *testing.T) {
	i := &instrument{}
	c := dial(t, startTCP(t, i), nil)
	lose := func() {
		i.newest().Close()
		time.Sleep(20 * time.Millisecond)
	}
	// Refused: the caller learns that, and not that the link broke.
	c.OnReconnect(func(ctx context.Context) error {
		i.set(func() { i.errors = []string{`-222,"Data out of range"`} })
		return c.CheckErrors(ctx)
	})
	lose()
	_, err := c.Ask(t.Context(), "*OPC?")
	wantError(t, err, drivers.ErrRefused, "-222")

	// An exchange that fails in there is a failure even if kept quiet, and
	// does not reconnect within the reconnect.
	calls := 0
	c.OnReconnect(func(ctx context.Context) error {
		calls++
		_, err1 := c.Ask(ctx, "NOTHING?")
		_, err2 := c.Ask(ctx, "*OPC?")
		wantError(t, err1, drivers.ErrLink)
		wantError(t, err2, drivers.ErrLink, "failed again")
		return nil
	})
	_, err = c.Ask(t.Context(), "*OPC?")
	wantError(t, err, drivers.ErrLink, "settings could not be sent again")
	if calls != 1 {
		t.Errorf("%d calls", calls)
	}
	c.OnReconnect(func(context.Context) error { return errors.New("no settings") })
	_, err = c.Ask(t.Context(), "*OPC?")
	wantError(t, err, drivers.ErrLink, "no settings")
	c.OnReconnect(nil)
	ask(t, c, "*OPC?", "1")
}

func TestAnotherInstrument(t *testing.T) {
	i := &instrument{}
	c := dial(t, startTCP(t, i), patient)
	i.set(func() { i.identity = "HUT FOUR WORKS,SAMPLER,0018,1.2" })
	i.newest().Close()
	time.Sleep(20 * time.Millisecond)
	for range 2 {
		_, err := c.Ask(t.Context(), "*OPC?")
		wantError(t, err, drivers.ErrReply, "another instrument answers", "0017", "0018", "check the address")
	}
	i.set(func() { i.identity = identity })
	ask(t, c, "*OPC?", "1")
}

// Lines that nobody asked for, such as the banner of an instrument that
// restarted, are no answer; the settings are sent again.
func TestUnaskedInput(t *testing.T) {
	i := &instrument{}
	c := dial(t, startTCP(t, i), patient)
	restored := 0
	c.OnReconnect(func(context.Context) error { restored++; return nil })
	say(i.newest(), "READY\n")
	time.Sleep(20 * time.Millisecond)
	ask(t, c, "*OPC?", "1")
	if restored != 1 {
		t.Errorf("the settings were sent %d times", restored)
	}
	say(i.newest(), "\r\n\x00")
	time.Sleep(20 * time.Millisecond)
	ask(t, c, "*OPC?", "1")
	if restored != 1 {
		t.Errorf("white space counted as input")
	}
}
