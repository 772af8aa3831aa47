package scpi

import (
	"bufio"
	"bytes"
	"strings"
	"testing"
	"time"

	"halfturn/drivers"
)

// prompting is a terminal that answers, with or without an echo, and prompts.
// reply is all that comes back; without one there is only the prompt.
func prompting(prompt string, echo bool, replies map[string]string) *instrument {
	return &instrument{identity: "a terminal", answer: func(p peer, m string) bool {
		if echo {
			say(p, m+"\n")
		}
		reply, known := replies[m]
		if m == "who" {
			reply, known = "a terminal\n"+prompt+" ", true
		}
		if !known {
			reply = prompt + " "
		}
		say(p, reply)
		return true
	}}
}

func TestPrompt(t *testing.T) {
	for _, prompt := range []string{">", "ready>"} {
		for _, echo := range []bool{false, true} {
			i := prompting(prompt, echo, map[string]string{
				"freq": "30 MHz\n" + prompt + " ", "curve": "#15ab\n> \n" + prompt, "endless": "#0abc\n" + prompt,
				"bad": "what?\n" + prompt + " ", "mute": "30 MHz\n",
			})
			c := dial(t, startTCP(t, i), func(o *Options) {
				echoing(o)
				o.Echo, o.Prompt = echo, prompt
			})
			if c.Identity() != "a terminal" {
				t.Errorf("identity %q", c.Identity())
			}
			c.o.TimeLimit = 10 * time.Second
			for range 3 {
				if err := c.Send(t.Context(), "set 1", "set 2"); err != nil {
					t.Fatal(err)
				}
				ask(t, c, "freq", "30 MHz")
			}
			if got, err := c.AskBlock(t.Context(), "curve", nil); err != nil || string(got) != "ab\n> " {
				t.Errorf("%q, %v", got, err)
			}
			wantError(t, c.Send(t.Context(), "set 1", "bad", "set 2"), drivers.ErrReply, `"what?" came where the prompt "`+prompt+`" was expected`)
			ask(t, c, "freq", "30 MHz")
			_, err := c.AskBlock(t.Context(), "endless", nil)
			wantError(t, err, drivers.ErrReply, "cannot be told from the prompt")
			ask(t, c, "freq", "30 MHz")
			c.o.TimeLimit = limit
			_, err = c.Ask(t.Context(), "mute")
			wantError(t, err, drivers.ErrLink, "(link.prompt), did not come")
			c.o.TimeLimit = 10 * time.Second
			ask(t, c, "freq", "30 MHz")
		}
	}
}

// A prompt that comes in pieces, or again for an empty line, is one.
func TestPromptInPieces(t *testing.T) {
	i := &instrument{identity: "a terminal", answer: func(p peer, m string) bool {
		for _, piece := range []string{"rea", "dy> \n", "\nready", "> ", map[string]string{"who": "a terminal\n", "freq": "30 MHz\n"}[m], "re", "ady> "} {
			say(p, piece)
			time.Sleep(2 * time.Millisecond)
		}
		return true
	}}
	c := dial(t, startTCP(t, i), func(o *Options) {
		echoing(o)
		o.Echo, o.Prompt = false, "ready>"
	})
	c.o.TimeLimit = 10 * time.Second
	for range 3 {
		ask(t, c, "freq", "30 MHz")
	}
}

func FuzzPrompt(f *testing.F) {
	f.Add(">", []byte("> > 30 MHz\r\n> "))
	f.Add("ready>", []byte("rea"))
	f.Add(">", []byte("\x00>\n>"))
	f.Fuzz(func(t *testing.T, prompt string, in []byte) {
		if prompt != strings.TrimSpace(prompt) || prompt == "" || strings.ContainsAny(prompt, "\r\n\x00") {
			return
		}
		c := &Conn{o: Options{Prompt: prompt, MaxReply: 1 << 10}.withDefaults()}
		c.in = bufio.NewReader(bytes.NewReader(in))
		if err := c.awaitPrompt(); err == nil && !bytes.Contains(in, []byte(prompt)) {
			t.Errorf("%q has no %q", in, prompt)
		}
		c.in.Reset(bytes.NewReader(in))
		if err := c.readLine(1<<10, false); err == nil && (len(c.line) == 0 || bytes.HasPrefix(c.line, []byte(prompt))) {
			t.Errorf("%q gave the line %q", in, c.line)
		}
	})
}
