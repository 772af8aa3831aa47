package link_test

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"halfturn/drivers"
	"halfturn/drivers/dialect"
	"halfturn/units"
)

var update = flag.Bool("update", false, "write the fault matrix into DEVELOPERS.md")

var matrixFaults = []string{noAnswer, late, half, wrong, garbage, disconnect, reboot, idleReboot}

// verb is a row of the matrix: something that is asked of an instrument, and
// the message with whose answer the fault comes.
type matrixVerb struct {
	name    string
	message string
	open    bool // it opens the instrument
	anew    bool // the connection is gone, and the fault meets its successor
	off     bool // RF goes off, and may come on no more
	do      func(d *driven) error
	want    map[string]string // settings afterwards, besides all others
}

// What the matrix has in both of its parts.
const (
	ofGenerator = "generator"
	ofScope     = "scope"
)

var matrixFrequency, matrixLevel = units.Hertz(31e6), units.DBm(-7)

var matrixVerbs = map[string][]matrixVerb{
	ofGenerator: {
		{name: "open", message: "*IDN?", open: true, do: (*driven).open},
		{name: "open again", message: "*IDN?", anew: true, do: func(d *driven) error { return d.g.CheckErrors(d.ctx) }},
		{name: "prepare", message: "*OPC?", off: true, do: func(d *driven) error { return d.g.Prepare(d.ctx) }},
		{name: "frequency", message: ":SOURce:FREQuency?", do: func(d *driven) error { return d.g.SetFrequency(d.ctx, matrixFrequency) }, want: map[string]string{":SOURce:FREQuency": "31000000.000"}},
		{name: "drive", message: ":SOURce:POWer?", do: func(d *driven) error { return d.g.SetDrive(d.ctx, matrixLevel) }, want: map[string]string{":SOURce:POWer": "-7.0"}},
		{name: "RF on", message: ":OUTPut?", do: func(d *driven) error { return d.g.SetRF(d.ctx, true) }},
		{name: "RF off", message: ":OUTPut?", off: true, do: func(d *driven) error { return d.g.SetRF(d.ctx, false) }, want: map[string]string{":OUTPut": "OFF"}},
		{name: "error queue", message: ":SYSTem:ERRor?", do: func(d *driven) error { return d.g.CheckErrors(d.ctx) }},
	},
	ofScope: {
		{name: "open", message: "*IDN?", open: true, do: (*driven).open},
		{name: "open again", message: "*IDN?", anew: true, do: func(d *driven) error { return d.s.CheckErrors(d.ctx) }},
		{name: "prepare", message: "*OPC?", do: func(d *driven) error { return d.s.Prepare(d.ctx) }},
		{name: "range", message: ":RANG1?", do: func(d *driven) error { return d.s.SetRange(d.ctx, drivers.Arm1, 2) }, want: map[string]string{":RANG1": "2.000"}},
		{name: "window", message: ":POIN?", do: func(d *driven) error { return d.s.SetWindow(d.ctx, d.s.Abilities().Windows[0]) }},
		{name: "acquire", message: "*OPC?", do: (*driven).capture},
		{name: "read", message: ":CURV1?", do: (*driven).capture},
		{name: "scale", message: ":PRE1?", do: (*driven).capture},
		{name: "error queue", message: ":SYSTem:ERRor?", do: func(d *driven) error { return d.s.CheckErrors(d.ctx) }},
	},
}

// driven is an instrument under a driver.
type driven struct {
	ctx    context.Context
	part   string
	config drivers.Config
	peer   *faulty
	g      *dialect.Generator
	s      *dialect.Scope
	into   drivers.Capture
	want   map[string]string // what was set
}

func (d *driven) open() (err error) {
	d.close()
	if d.part == ofGenerator {
		d.g, err = dialect.OpenGenerator(d.ctx, d.config)
	} else {
		d.s, err = dialect.OpenScope(d.ctx, d.config)
	}
	if err == nil && d.identity() != identity {
		return fmt.Errorf("taken for the identity: %q", d.identity())
	}
	return err
}

func (d *driven) identity() string {
	if d.part == ofGenerator {
		return d.g.Identity()
	}
	return d.s.Identity()
}

func (d *driven) close() {
	if d.g != nil {
		_ = d.g.Close()
	}
	if d.s != nil {
		_ = d.s.Close()
	}
	d.g, d.s = nil, nil
}

// setUp opens and sets everything.
func (d *driven) setUp(v matrixVerb) error {
	if err := d.open(); err != nil {
		return err
	}
	if d.part == ofGenerator {
		d.want = map[string]string{":SOURce:FREQuency": "30000000.000", ":SOURce:POWer": "-10.0", ":OUTPut": "ON"}
		return errors.Join(d.g.Prepare(d.ctx), d.g.SetFrequency(d.ctx, 30e6), d.g.SetDrive(d.ctx, -10), d.g.SetRF(d.ctx, v.name != "RF on"))
	}
	d.want = map[string]string{":RANG1": "1.000", ":RANG2": "1.000", ":POIN": "32", ":RATE": "1000000"}
	return errors.Join(d.s.Prepare(d.ctx), d.s.SetRange(d.ctx, drivers.Arm1, 1), d.s.SetRange(d.ctx, drivers.Arm2, 1), d.s.SetWindow(d.ctx, d.s.Abilities().Windows[0]))
}

// capture fails where what came is not what was sampled just now.
func (d *driven) capture() error {
	err := d.s.Capture(d.ctx, &d.into)
	if err != nil {
		return err
	}
	d.peer.mu.Lock()
	now := int16(d.peer.acquired)
	d.peer.mu.Unlock()
	for arm, t := range d.into.Traces {
		if len(t.Codes) != matrixSamples || slices.ContainsFunc(t.Codes, func(c int16) bool { return c != now }) || t.VoltsPerCode != 0.01 || t.Zero != 0 {
			return fmt.Errorf("a wrong number: %v, acquisition %d: %+v", drivers.Arm(arm), now, t)
		}
	}
	return nil
}

// slack is what a busy machine may add to a call.
const slack = 5 * time.Second

// cell tries one fault and says what came of it: the kind of error, or that
// there was none, and whether a new connection was made. problems are promises
// that were not kept.
func matrixCell(t testing.TB, kind matrixLink, part string, v matrixVerb, fault string, limit time.Duration, spoken string) (came string, problems []string) {
	bad := func(format string, a ...any) { problems = append(problems, fmt.Sprintf(format, a...)) }
	defer func() {
		if p := recover(); p != nil {
			came, problems = "panic", append(problems, fmt.Sprintf("panic: %v", p))
		}
	}()
	peer := newFaulty(kind.stays, limit)
	passing := &passing{TB: t}
	defer passing.end()
	d := &driven{ctx: context.Background(), part: part, peer: peer,
		config: drivers.Config{Address: kind.start(passing, peer.serve), Dialect: spoken, TimeLimit: limit}}
	defer d.close()
	if !v.open {
		if err := d.setUp(v); err != nil {
			return "", []string{"set-up: " + err.Error()}
		}
	}
	if v.anew && fault != idleReboot {
		peer.drop()
		time.Sleep(20 * time.Millisecond)
	}
	asked := peer.count("*IDN?")
	switched := peer.count(":OUTPut ON")
	if fault == idleReboot {
		if v.open {
			return "", nil
		}
		peer.goDown()
		peer.comeUp()
		time.Sleep(20 * time.Millisecond)
	} else {
		peer.arm(fault, v.message, fault == wrong && v.anew)
	}
	stages := 1
	if v.open || v.anew || fault == idleReboot {
		stages = 8 // connecting is a few exchanges, see drivers/scpi
	}
	call := func(what string, stages int) (kind string) {
		began := time.Now()
		err := v.do(d)
		if took := time.Since(began); took > time.Duration(stages)*limit+slack {
			bad("%s took %v of %v", what, took, limit)
		}
		if err == nil {
			return "✓"
		}
		var e *drivers.Error
		switch {
		case !errors.As(err, &e):
			bad("%s: %v", what, err)
		case !strings.HasPrefix(e.Instrument, part+" at "+d.config.Address):
			bad("%s: which instrument? %v", what, err)
		case e.Asked == "" && !strings.Contains(err.Error(), "cannot open") && !strings.Contains(err.Error(), "could not be reached"):
			bad("%s: what was asked? %v", what, err)
		case e.Advice == "":
			bad("%s: what to do? %v", what, err)
		case strings.Contains(err.Error(), "\n"):
			bad("%s: more than a line: %v", what, err)
		}
		for kind, is := range map[string]error{"L": drivers.ErrLink, "P": drivers.ErrReply, "R": drivers.ErrRefused} {
			if errors.Is(err, is) {
				return kind
			}
		}
		bad("%s: what kind of error? %v", what, err)
		return "?"
	}
	came = call("the call", stages)
	peer.mu.Lock()
	met := peer.on != v.message || peer.lasting || fault == idleReboot
	peer.mu.Unlock()
	if !met {
		bad("the fault did not come")
	}
	if came == "✓" && fault != idleReboot && !v.open && !v.anew {
		bad("it was taken for a success")
	}
	if peer.isDown() {
		if k := call("the call while it boots", 8); k != "L" {
			bad("while it boots: %s", k)
		}
		peer.comeUp()
	}
	peer.arm("", "", false)
	if came != "✓" {
		if k := call("the next call", 20); k != "✓" {
			bad("the next call: %s", k)
		}
	}
	if !v.open && peer.count("*IDN?") > asked {
		came += "↻"
	}
	// What the driver was told holds: all of it is set.
	if v.name == "prepare" {
		d.want = nil // it forgets
	}
	for header, value := range v.want {
		d.want[header] = value
	}
	if !v.open {
		if differs := peer.differs(d.want); differs != "" {
			bad("afterwards %s", differs)
		}
	}
	if v.off && peer.count(":OUTPut ON") > switched {
		bad("RF was switched on again")
	}
	return came, problems
}

// TestFaultMatrix tries each fault with each verb over each kind of link. What
// comes of it is the table in DEVELOPERS.md; -update writes it.
func TestFaultMatrix(t *testing.T) {
	scope := filepath.Join(t.TempDir(), "scope.yaml")
	if err := os.WriteFile(scope, []byte(matrixScope), 0o600); err != nil {
		t.Fatal(err)
	}
	dialects := map[string]string{ofGenerator: "scpi99-generator", ofScope: scope}
	before, old, after := readMatrix(t)
	known := parseMatrix(old)
	var mu sync.Mutex
	cells := map[matrixKey]string{}
	each := func(f func(part string, v matrixVerb, fault string, kind matrixLink)) {
		for _, part := range []string{ofGenerator, ofScope} {
			for _, v := range matrixVerbs[part] {
				for _, fault := range matrixFaults {
					for _, kind := range matrixLinks {
						f(part, v, fault, kind)
					}
				}
			}
		}
	}
	var running sync.WaitGroup
	places := make(chan bool, 48) // most of them wait, all of the time
	each(func(part string, v matrixVerb, fault string, kind matrixLink) {
		running.Go(func() {
			places <- true
			defer func() { <-places }()
			// A busy machine may pass a short limit: what is not as it is known
			// is tried again with more patience.
			var came string
			var problems []string
			at := matrixKey{part, v.name, fault, kind.name}
			for limit := 200 * time.Millisecond; limit < 5*time.Second; limit *= 4 {
				came, problems = matrixCell(t, kind, part, v, fault, limit, dialects[part])
				if len(problems) == 0 && came == known[at] {
					break
				}
				t.Logf("%v within %v: %q, not %q %q", at, limit, came, known[at], problems)
			}
			for _, p := range problems {
				t.Errorf("%v: %s", at, p)
			}
			mu.Lock()
			defer mu.Unlock()
			cells[at] = came
		})
	})
	running.Wait()

	var table strings.Builder
	fmt.Fprintf(&table, "| | | %s |\n|%s\n", strings.Join(matrixFaults, " | "), strings.Repeat(" --- |", 2+len(matrixFaults)))
	for _, part := range []string{ofGenerator, ofScope} {
		for _, v := range matrixVerbs[part] {
			fmt.Fprintf(&table, "| %s, %s | `%s` |", part, v.name, v.message)
			for _, fault := range matrixFaults {
				byResult, results := map[string][]string{}, []string{}
				for _, kind := range matrixLinks {
					came := cells[matrixKey{part, v.name, fault, kind.name}]
					if byResult[came] == nil {
						results = append(results, came)
					}
					byResult[came] = append(byResult[came], kind.name)
				}
				for i, r := range results {
					if i > 0 {
						fmt.Fprintf(&table, ", %s: %s", strings.Join(byResult[r], " "), r)
					} else {
						fmt.Fprintf(&table, " %s", r)
					}
				}
				table.WriteString(" |")
			}
			table.WriteString("\n")
		}
	}
	if t.Failed() || runtime.GOOS != "linux" { // elsewhere there is no pseudo-terminal
		return
	}
	switch {
	case table.String() == old:
	case *update:
		if err := os.WriteFile(matrixFile, []byte(before+table.String()+after), 0o644); err != nil {
			t.Fatal(err)
		}
	default:
		t.Fatalf("the fault matrix in %s is not what was observed; look at what changed, and -update writes it:\n%s", matrixFile, table.String())
	}
}

type matrixKey struct{ part, verb, fault, link string }

const matrixFile = "../../DEVELOPERS.md"

// readMatrix reads the file that holds the table, and what is around it.
func readMatrix(t *testing.T) (before, table, after string) {
	const begin, end = "<!-- the fault matrix: go test ./drivers/link -run TestFaultMatrix -update -->\n", "<!-- end of the fault matrix -->\n"
	text, err := os.ReadFile(matrixFile)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, found := strings.Cut(string(text), begin)
	table, after, ended := strings.Cut(rest, end)
	if !found || !ended {
		t.Fatalf("%s has no place for the fault matrix", matrixFile)
	}
	return before + begin, table, end + after
}

// parseMatrix reads a table that this test wrote.
func parseMatrix(table string) map[matrixKey]string {
	known := map[matrixKey]string{}
	for row := range strings.Lines(table) {
		columns := strings.Split(row, "|")
		if len(columns) < len(matrixFaults)+3 {
			continue
		}
		part, verb, _ := strings.Cut(strings.TrimSpace(columns[1]), ", ")
		for i, fault := range matrixFaults {
			results := strings.Split(strings.TrimSpace(columns[i+3]), ", ")
			for _, kind := range matrixLinks {
				came := results[0]
				for _, r := range results[1:] {
					if links, other, _ := strings.Cut(r, ": "); slices.Contains(strings.Fields(links), kind.name) {
						came = other
					}
				}
				known[matrixKey{part, verb, fault, kind.name}] = came
			}
		}
	}
	return known
}
