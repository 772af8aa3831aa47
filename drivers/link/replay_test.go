package link_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"halfturn/drivers"
	"halfturn/drivers/link"
	"halfturn/drivers/link/record"
	"halfturn/drivers/link/replay"
	"halfturn/drivers/scpi"
)

// What was recorded over a link that knows where messages end comes again over
// a raw socket: the same answers, and the same line for what an instrument did wrong.
func TestRecordedLinks(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"hislip, small, overlap", "vxi11", "usbtmc, no newline"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			testRecorded(t, starts[name])
		})
	}
}

func testRecorded(t *testing.T, start func(testing.TB, func(io.ReadWriteCloser)) string) {
	payload := everyByte()
	address := start(t, answering(func(m string) string {
		switch m {
		case "BLOCK?":
			return string(scpi.AppendBlock(nil, payload)) + "\n"
		case "HALF?":
			return "1.2"
		case "SHORT?":
			return "#41000abc"
		case "OFF?":
			return "hang up"
		}
		return ""
	}))
	path := filepath.Join(t.TempDir(), "x.rec")
	recorder, err := record.Create(path, record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := talk(t, address, recorder)
	if err := recorder.Close(); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	recording, err := replay.Read(bytes.NewReader(text), int64(len(text)), path)
	if err != nil {
		t.Fatal(err)
	}
	server, err := replay.Serve(t.Context(), recording, replay.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer server.Close()
	_, addresses := server.Addresses()
	if diff := cmp.Diff(want, talk(t, addresses["scope"], nil)); diff != "" {
		t.Error(diff)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	if err := server.Wait(ctx); err != nil {
		t.Error(err)
	}
}

// talk asks this and that, and returns what came of it.
func talk(t *testing.T, address string, links link.Opener) (came []string) {
	t.Helper()
	c, err := scpi.Dial(t.Context(), scpi.Options{Instrument: "scope", Address: address, TimeLimit: 600 * time.Millisecond, Quiet: 50 * time.Millisecond, Links: links})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	for _, query := range []string{"*OPC?", "BLOCK?", "HALF?", "*OPC?", "SHORT?", "BLOCK?", "OFF?", "*OPC?"} {
		var got []byte
		var err error
		if strings.HasPrefix(query, "BLOCK") || query == "SHORT?" {
			got, err = c.AskBlock(t.Context(), query, nil)
		} else {
			var reply string
			reply, err = c.Ask(t.Context(), query)
			got = []byte(reply)
		}
		text := query + " " + string(got)
		switch {
		case query == "OFF?" && errors.Is(err, drivers.ErrLink):
			text += "link failed" // each kind of link says in its own words how
		case err != nil:
			text += strings.ReplaceAll(err.Error(), address, "ADDRESS")
		}
		came = append(came, text)
	}
	return came
}
