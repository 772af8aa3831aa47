package check

import (
	"strings"
	"testing"
	"time"

	"halfturn/drivers/simbench"
	"halfturn/units"
)

const rateConfirm = "    - {ask: \"TIME:RATE?\", is: rate, within: 1 ppm}\n"

// What a newcomer's first dialect has wrong, on benches of each family: the line
// that fails says what was sent, what came back and where to look.
func TestWrongDialects(t *testing.T) {
	for name, c := range map[string]struct {
		family    simbench.Family
		generator []string // exchanges in the generator's dialect
		scope     []string // in the scope's
		silent    bool     // the time limit will pass
		want      Finding
	}{
		"sign": {family: simbench.Coded, scope: []string{"FORMAT 2,U,LOW", "FORMAT 2,S,LOW"},
			want: Finding{Part: "scope", What: "RF off, range 20 mV", Said: "the samples of arm 1 lie at both ends and not between, as where the sign is another one", Sent: "RF off",
				Came: "codes -128 to 127 in arm 1 and -128 to 127 in arm 2, rails at -128 and 127", LookUp: "sign and width (read.encoding)"}},
		"byte order": {family: simbench.Coded, scope: []string{"byte_order: little", "byte_order: big"},
			want: Finding{Part: "scope", What: "RF off, range 20 mV", Said: "each sample of arm 1 is the same code, as where the other byte is read", Sent: "RF off",
				Came: "codes -128 to -128 in arm 1 and -128 to -128 in arm 2, rails at -128 and 127", LookUp: "which byte comes first"}},
		"byte order of codes with all their bits": {family: simbench.Coded, scope: []string{"byte_order: little", "byte_order: big", "  spare_bits: 8 # the converter's 8 bits are the upper byte\n", ""},
			want: Finding{Part: "scope", What: "RF off", Said: "the samples of arm 1 lie at -4.98 V of a range of 10 V, with no signal", Sent: "RF off",
				Came: "codes -32642 to -32636 in arm 1 and -32641 to -32635 in arm 2, rails at -32768 and 32512", LookUp: "which byte comes first"}},
		"byte order of volts": {family: simbench.Bundled, scope: []string{"byte_order: little", "byte_order: big"},
			want: Finding{Part: "scope", What: "RF off, range 16 mV", Said: "clipped, with no signal", Sent: "RF off",
				Came: "codes 0 to 127 in arm 1 and 0 to 127 in arm 2, rails at -128 and 127", LookUp: "which byte comes first"}},
		"channels by turns that come one behind the other": {family: simbench.Bundled, scope: []string{"channels: in_turn", "channels: interleaved"},
			want: Finding{Part: "scope", What: "RF on", Said: "RF changes the samples, and nothing stands at 10 MHz", Sent: "RF on at 10 MHz and -10 dBm",
				Came: "59.6 mV and 59.6 mV rms of something else, 1.91 mV and 1.92 mV with RF off", LookUp: "one channel behind the other or by turns (read.channels"}},
		"channels one behind the other that come by turns": {family: simbench.Coded, scope: []string{"channels: interleaved", "channels: in_turn"},
			want: Finding{Part: "scope", What: "window 500 MHz", Said: "the rate is 1 GHz", Sent: "RF on at 10 MHz and -10 dBm", Came: "2.45 mV peak at 5 MHz", LookUp: "whether channels come in turn or interleaved (read.channels)"}},
		"divisions": {family: simbench.Coded, scope: []string{"divisions: 10", "divisions: 8"},
			want: Finding{Part: "scope", What: "range 20 mV, arm 1", Said: "division was set to 2.5 mV and it says 5 mV", Sent: "VDIV 1 0.0025;VDIV? 1", Came: `"0.005"`, LookUp: "how many divisions a range has (abilities.divisions)"}},
		"twice the rate": {family: simbench.Headed, scope: []string{rateConfirm, "", `"TIME:RATE {{.rate}}"`, `"TIME:RATE 2.5E8"`},
			want: Finding{Part: "scope", What: "window 500 MHz", Said: "the rate is 250 MHz", Sent: "RF on at 10 MHz and -10 dBm", Came: "84.8 mV peak at 20 MHz", LookUp: "the sample rates with both channels on"}},
		"rails too far out": {family: simbench.Bundled, scope: []string{"rails: [-range / 2, range / 2 * 127 / 128]", "rails: [-range, range]"},
			want: Finding{Part: "scope", What: "range 16 mV", Said: "does not count as clipped, and the signal is 10.6 times as large", Sent: "a signal of 170 mV peak to peak",
				Came: "codes -128 to 127 in arm 1 and -128 to 127 in arm 2, rails at -256 and 256", LookUp: "the lowest and the highest code"}},
		"rms taken for peak to peak": {family: simbench.Spoken, generator: []string{"unit: Vrms", "unit: Vpp"},
			want: Finding{Part: "scope", What: "level", Said: "2.83 is that of rms for peak to peak, in the unit of the generator's level (numbers.drive)", Sent: "RF on at 10 MHz and -10 dBm",
				Came: "239 mV and 234 mV peak", LookUp: "which volts a code stands for"}},
		"peak to peak taken for rms": {family: simbench.Bundled, generator: []string{"unit: Vpp", "unit: Vrms"},
			want: Finding{Part: "generator", What: "drive -60 dBm", Said: "drive was set to -60 dBm and it says -50.969 dBm", Sent: "A?", Came: `"0.00063246"`, LookUp: "their unit and resolution (drive, numbers.drive)"}},
		"headers not declared": {family: simbench.Headed, generator: []string{"  headers: yes\n", ""},
			want: Finding{Part: "generator", What: "RF off", Said: `"OUTPUT OFF" is neither 0 nor 1`, Sent: "OUTPUT?", Came: `"OUTPUT OFF"`, LookUp: "the reply repeats the header of its query: say so in the dialect"}},
		"headers not declared, of an error queue": {family: simbench.Headed, scope: []string{"  headers: yes\n", ""},
			want: Finding{Part: "scope", What: "prepare", Said: "is no entry of an error queue", Sent: "ERRORS?", Came: `ERRORS 0,"none"`, LookUp: "the reply repeats the header of its query"}},
		"headers that do not come": {family: simbench.Bundled, scope: []string{"errors: {ask", "headers: yes\n  errors: {ask"},
			want: Finding{Part: "scope", What: "prepare", Said: "it should begin with STATUS, as the dialect says (link.headers)", Sent: "STATUS?", Came: `"0"`, LookUp: "prepare"}},
		"an echo not declared": {family: simbench.Spoken, generator: []string{"  echo: yes\n", ""},
			want: Finding{Part: "generator", What: "link", Said: "an instrument that echoes is told by its dialect (link.echo)", Sent: "ident", Came: `"ident"`, LookUp: "what ends a message"}},
		"another terminator": {family: simbench.Headed, generator: []string{"terminator: LF", "terminator: CR"}, silent: true,
			want: Finding{Part: "generator", What: "link", Said: "no reply came within 500ms", Sent: "*IDN?", Came: "nothing", LookUp: "what ends a message (link.terminator)"}},
		"another terminator of a terminal": {family: simbench.Spoken, scope: []string{"terminator: CR", "terminator: LF"}, silent: true,
			want: Finding{Part: "scope", What: "link", Said: "no reply came within 500ms", Sent: "ident", Came: "nothing", LookUp: "what ends a message (link.terminator)"}},
		"half a block": {family: simbench.Coded, scope: []string{"encoding: uint16", "encoding: uint8", "  byte_order: little\n", "", "  spare_bits: 8 # the converter's 8 bits are the upper byte\n", "", "65280", "255"},
			want: Finding{Part: "scope", What: "RF off, range 20 mV", Said: "16000 samples came, 8000 were expected", Sent: "BOTH?", Came: `"16000 bytes"`, LookUp: "encoding, byte order and length (read)"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := inFamily(t, c.family, c.generator, c.scope)
			if c.silent {
				b.Generator.TimeLimit, b.Bench.Scope.TimeLimit = 500*time.Millisecond, 500*time.Millisecond
			}
			fails(t, until(t, b, []Finding{c.want}), c.want)
		})
	}
}

// inFamily is a bench that speaks as a family does, with a balun in it.
func inFamily(t *testing.T, family simbench.Family, generator, scope []string) Bench {
	t.Helper()
	s, err := simbench.Load("good-balun")
	if err != nil {
		t.Fatal(err)
	}
	server, err := simbench.Serve(t.Context(), s, simbench.Options{GeneratorSpeaks: family, ScopeSpeaks: family})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { server.Close() })
	server.FitForMeasurement()
	b := (&rig{Server: server}).bench(t)
	b.Generator.Dialect = altered(t, family.Dialect(simbench.Generator), generator...)
	b.Bench.Scope.Dialect = altered(t, family.Dialect(simbench.Scope), scope...)
	return b
}

// Arms on each other's channels are no fault, and told.
func TestExchangedChannels(t *testing.T) {
	b := inFamily(t, simbench.Coded, nil, nil)
	for want, channels := range map[string][2]string{"as usual": {"1", "2"}, "exchanged against what is usual": {"2", "1"}} {
		b.Bench.Scope.Channels = channels
		report, text := run(t, b)
		if f := find(report, "bench", "arms"); !report.Works || !strings.HasPrefix(f.Said, want) {
			t.Errorf("%v\n%s", channels, text)
		}
	}
}

// The usual factors are named, and no other.
func TestMistaken(t *testing.T) {
	for factor, want := range map[float64]string{
		1: "", 2: "peak for peak to peak", .5: "peak for peak to peak", 2.6: "rms", 1 / 2.83: "rms", 3.3: "", 5: "", 7.5: "eight divisions", 10: "ten divisions", 0.1: "a probe", 100: "",
	} {
		got := mistaken(units.DBOfRatio(factor))
		if (want == "") != (got == "") || !strings.Contains(got, want) {
			t.Errorf("%g: %q, want %q", factor, got, want)
		}
	}
}
