package check

import (
	"bytes"
	"context"
	"errors"
	"net"
	"strings"
	"testing"
	"time"

	"halfturn/drivers/simbench"
	"halfturn/drivers/simbench/device"
	"halfturn/sweep"
)

// onQuery applies a fault to each query that starts with prefix.
func onQuery(prefix string, fault device.Fault) device.Hook {
	return func(command string, reply []byte) simbench.Action {
		if reply == nil || !strings.HasPrefix(command, prefix) {
			return simbench.Action{}
		}
		return fault(reply)
	}
}

// samples changes the codes of a block; the command says of which channel.
func samples(change func(command string, codes []byte)) device.Hook {
	return func(command string, reply []byte) simbench.Action {
		if !strings.HasPrefix(command, "TRACe") || len(reply) < 7 {
			return simbench.Action{}
		}
		changed := bytes.Clone(reply)
		change(command, changed[2+int(changed[1]-'0'):])
		return simbench.Action{Reply: changed}
	}
}

const (
	generatorPrepare = "the commands that bring it into a known state (prepare.send)"
	confirmRange     = "  confirm: {ask: \":SENSe{{.channel}}:VOLTage:RANGe:PTPeak?\", within: 0.01 %}\n"
	confirmPower     = "  confirm: {ask: \":SOURce:POWer?\", within: 0.01 dB}\n"
	confirmInterval  = "    - {ask: \":SENSe:SWEep:TINTerval?\", is: interval, within: 0.1 ppm}\n"
	sendInterval     = `    - ":SENSe:SWEep:TINTerval {{.interval}}"`
)

// slowest sends another interval for the slowest window.
func slowest(interval string) []string {
	return []string{confirmInterval, "", sendInterval,
		`    - "{{if eq .interval \"2.00000000E-07\"}}:SENSe:SWEep:TINTerval ` + interval + `{{else}}:SENSe:SWEep:TINTerval {{.interval}}{{end}}"`}
}

// Each kind of line that can fail, with what was sent, what came back and the
// beginning of what to look up.
func TestEachFailureIsTold(t *testing.T) {
	silent := func([]byte) simbench.Action { return simbench.Action{Silent: true} }
	for name, c := range map[string]struct {
		scenario         string // good-balun if empty
		generator, scope device.Hook
		dialect          []string // exchanges in the generator's dialect
		digitiser        []string // in the scope's
		silent           bool     // the scope's time limit is short
		spoil            func(*simbench.Scenario)
		change           func(*Bench)
		want             []Finding
	}{
		"RF reads on though switched off": {
			generator: onQuery("OUTPut", device.Say("1")),
			want: []Finding{
				{Part: "generator", What: "RF off", Said: "RF was switched off and is on", Sent: ":OUTPut?", Came: `"1"`, LookUp: "the command that switches the output off (rf.off)"},
				{Part: "generator", What: lastOff, Said: "RF may still be on: refused by the instrument: RF was switched off and is on", Sent: ":OUTPut?", Came: `"1"`, LookUp: "switch it off by hand"},
			},
		},
		"the generator is never prepared": {
			generator: onQuery("*OPC?", device.Say("0")),
			want:      []Finding{{Part: "generator", What: "prepare", Said: `unexpected reply: "1" was expected`, Sent: "*OPC?", Came: `"0"`, LookUp: generatorPrepare}},
		},
		"the scope does not answer when it is prepared": {
			scope:  onQuery("*OPC?", silent),
			silent: true,
			want:   []Finding{{Part: "scope", What: "prepare", Said: "no reply came within 300ms", Sent: "*OPC?", Came: "nothing", LookUp: generatorPrepare}},
		},
		"another frequency": {
			generator: onQuery("SOURce:FREQuency", device.Say("1.0E+06")),
			want: []Finding{
				{Part: "generator", What: "frequency 100 kHz", Said: "frequency was set to 100 kHz and it says 1 MHz", Sent: ":SOURce:FREQuency?", Came: `"1.0E+06"`, LookUp: "the command and the query for the frequency"},
				{Part: "generator", What: "frequency 1 GHz", Said: "frequency was set to 1 GHz and it says 1 MHz", Sent: ":SOURce:FREQuency?", Came: `"1.0E+06"`, LookUp: "frequency"},
			},
		},
		"words for a frequency": {
			generator: onQuery("SOURce:FREQuency", device.Say("ten")),
			want:      []Finding{{Part: "generator", What: "frequency 100 kHz", Said: "unexpected reply", Sent: ":SOURce:FREQuency?", Came: `"ten"`, LookUp: "check that the dialect"}},
		},
		"half a reply, then the link is cut": {
			generator: onQuery("SOURce:FREQuency", device.HalfThenHangUp),
			want:      []Finding{{Part: "generator", What: "frequency 100 kHz", Said: "link failed", Sent: ":SOURce:FREQuency?", Came: `"1.0"`, LookUp: "frequency"}},
		},
		"a level is refused": {
			dialect: []string{confirmPower, ""},
			generator: func(command string, _ []byte) simbench.Action {
				if strings.HasPrefix(command, "SOURce:POWer") && strings.HasSuffix(command, "-10.0") {
					return simbench.Action{Refuse: device.DataOutOfRange}
				}
				return simbench.Action{}
			},
			want: []Finding{{Part: "generator", What: "drive -10 dBm", Said: "refused by the instrument", Sent: ":SYSTem:ERRor?", Came: "-222 Data out of range", LookUp: "what the entry means"}},
		},
		"another range": {
			scope: onQuery("SENSe2:VOLTage", device.Say("0.8")),
			want: []Finding{
				{Part: "scope", What: "range 400 mV, arm 2", Said: "range was set to 400 mV and it says 800 mV", Sent: ":SENSe2:VOLTage:RANGe:PTPeak?", Came: `"0.8"`, LookUp: "the command and the query for the range"},
			},
		},
		"fewer points": {
			scope: onQuery("SENSe:SWEep:POINts", device.Say("2000")),
			want:  []Finding{{Part: "scope", What: "window 4000 samples at 500 MHz", Said: "samples was set to 4000 and it says 2000", Sent: ":SENSe:SWEep:POINts?", Came: `"2000"`, LookUp: "sample rate and record length"}},
		},
		"fewer samples": {
			scope: device.FromNth("TRACe", 1, device.WrongCount),
			want:  []Finding{{Part: "scope", What: "RF off, range 16 mV", Said: "3998", Sent: ":TRACe:DATA? CH1", Came: `"3998 bytes"`, LookUp: "how a single acquisition is started"}},
		},
		"words for samples": {
			scope: device.FromNth("TRACe", 1, device.Say("not now")),
			want:  []Finding{{Part: "scope", What: "RF off, range 16 mV", Said: "unexpected reply", Sent: ":TRACe:DATA? CH1", Came: `"not now"`, LookUp: "how a single acquisition is started"}},
		},
		"no record": {
			scope:  device.FromNth("TRACe", 1, silent),
			silent: true,
			want:   []Finding{{Part: "scope", What: "RF off, range 16 mV", Said: "within 300ms", Sent: ":TRACe:DATA? CH1", Came: "nothing", LookUp: "how a single acquisition is started"}},
		},
		"clipped without a signal": {
			scope: samples(func(_ string, codes []byte) { codes[5] = 127 }),
			want:  []Finding{{Part: "scope", What: "RF off, range 16 mV", Said: "clipped, with no signal", Sent: "RF off", Came: "codes -5 to 127 in arm 1 and -5 to 127 in arm 2, rails at -128 and 127", LookUp: "the lowest and the highest code"}},
		},
		"RF does not come on": {
			generator: func(command string, _ []byte) simbench.Action {
				if command == "OUTPut:STATe ON" {
					return simbench.Action{Refuse: device.SettingsConflict}
				}
				return simbench.Action{}
			},
			want: []Finding{{Part: "bench", What: "RF on", Said: "RF was switched on and is off", Sent: ":OUTPut?", Came: `"0"`, LookUp: "the command that switches the output on"}},
		},
		"RF stays on and says off": {
			generator: device.OnNth("OUTPut:STATe OFF", 3, device.Refuse(device.SettingsConflict)),
			dialect:   []string{"  confirm: {ask: \":OUTPut?\"}", ""},
			want:      []Finding{{Part: "bench", What: "RF on and off", Said: "84.9 mV peak at 10 MHz after RF was switched off, and 84.8 mV with RF on", Sent: "RF off", Came: "84.9 mV peak", LookUp: "the command that switches the output off"}},
		},
		"no signal": {
			scenario: "rf-cable-off",
			want:     []Finding{{Part: "bench", What: "RF on", Said: "no signal in either channel at 10 MHz", Sent: "RF on at 10 MHz and -10 dBm", Came: "noise of 80 µV and 78.8 µV rms", LookUp: "at the bench: RF cable from generator to fixture"}},
		},
		"a broken arm": {
			scenario: "broken-arm",
			want: []Finding{{Part: "bench", What: "arms", Said: "arm 2 is dead or its wire is off: more than 20 dB below the other one at 2 of 5 frequencies", Sent: "RF on at -10 dBm",
				Came: "arm 2 against arm 1: 3 MHz -45.6 dB -10°, 8.95 MHz -27.2 dB -33°, 28.9 MHz -11.3 dB -95°, 93 MHz -7.6 dB -154°, 300 MHz -7.3 dB +179°", LookUp: "at the bench: that arm's wire"}},
		},
		"a channel without a cable": {
			scope: samples(func(command string, codes []byte) {
				if strings.Contains(command, "CH1") {
					for i := range codes {
						codes[i] = byte(i % 2)
					}
				}
			}),
			want: []Finding{{Part: "bench", What: "arms", Said: "arm 1 is dead or its wire is off", Sent: "RF on at -10 dBm",
				Came: "arm 2 against arm 1: 3 MHz nothing in arm 1, 8.95 MHz nothing in arm 1, 28.9 MHz nothing in arm 1, 93 MHz nothing in arm 1, 300 MHz nothing in arm 1", LookUp: "at the bench: that arm's wire"}},
		},
		"ranges that are not peak to peak": {
			digitiser: []string{"range / 256", "range / 128"},
			want:      []Finding{{Part: "scope", What: "level", Said: "80 mV expected of a balun at -10 dBm: +6.4 dB, 3 dB allowed, a factor of 2.09", Sent: "RF on at 10 MHz and -10 dBm", Came: "169 mV and 165 mV peak", LookUp: "which volts a code stands for"}},
		},
		"a scale that does not follow the range": {
			digitiser: []string{"range / 256", "(range + 0.4) / 512"},
			want:      []Finding{{Part: "scope", What: "range 8 V", Said: "arm 1 reads -5.5 dB of what it reads on the range that fits, 1 dB allowed", Sent: "a signal of 170 mV peak to peak", Came: "44.8 mV peak in arm 1", LookUp: "which volts a code stands for"}},
		},
		"rails that are never reached": {
			scope: samples(func(_ string, codes []byte) {
				for i, c := range codes {
					codes[i] = byte(max(-100, min(int8(c), 100)))
				}
			}),
			want: []Finding{{Part: "scope", What: "range 80 mV", Said: "does not count as clipped, and the signal is 2.1 times as large", Sent: "a signal of 170 mV peak to peak",
				Came: "codes -100 to 100 in arm 1 and -100 to 100 in arm 2, rails at -128 and 127", LookUp: "the lowest and the highest code"}},
		},
		"rails that are too near": {
			digitiser: []string{"rails: [-128, 127]", "rails: [-50, 50]"},
			want: []Finding{{Part: "scope", What: "range 400 mV", Said: "counts as clipped, and the signal fills only 42 % of it", Sent: "a signal of 169 mV peak to peak",
				Came: "codes -55 to 57 in arm 1 and -55 to 55 in arm 2, rails at -50 and 50", LookUp: "the lowest and the highest code"}},
		},
		"half the rate in each window": {
			digitiser: []string{confirmInterval, "", sendInterval, `    - ":SENSe:SWEep:TINTerval 4E-9"`},
			want:      []Finding{{Part: "scope", What: "window 500 MHz", Said: "the signal stands at 2 times the frequency that was set: the rate is 250 MHz", Sent: "RF on at 10 MHz and -10 dBm", Came: "84.8 mV peak at 20 MHz", LookUp: "the sample rates with both channels on"}},
		},
		"twice the rate in one window": {
			digitiser: slowest("1E-7"),
			want:      []Finding{{Part: "scope", What: "window 5 MHz", Said: "the signal stands at 0.5 times the frequency that was set: the rate is 10 MHz", Sent: "RF on at 250 kHz and -10 dBm", Came: "112 mV peak at 125 kHz", LookUp: "the sample rates with both channels on"}},
		},
		"an odd rate in one window": {
			digitiser: slowest("2.07E-7"),
			want:      []Finding{{Part: "scope", What: "window 5 MHz", Said: "no signal at 250 kHz", Sent: "RF on at 250 kHz and -10 dBm", Came: "79.1 mV and 48.9 mV rms of something else", LookUp: "the sample rates with both channels on"}},
		},
		"a rate that is a little off": {
			digitiser: slowest("2.0008E-7"),
			want:      []Finding{{Part: "scope", What: "clocks", Said: "the rate 5 MHz is 400 ppm off the rate 50 MHz", Sent: "RF on at 250 kHz", Came: "+403.0 ppm and +3.1 ppm", LookUp: "the sample rates with both channels on"}},
		},
		"clocks apart": {
			spoil: func(s *simbench.Scenario) { s.Generator.ClockOffset = 400 },
			want:  []Finding{{Part: "bench", What: "clocks", Said: "and the bench allows 100 ppm", Sent: "RF on at 250 kHz", Came: "+400.4 ppm", LookUp: "the accuracy of both instruments' clocks"}},
		},
		"channels of two acquisitions": {
			digitiser: []string{":INITiate:CONTinuous OFF", ":INITiate:CONTinuous ON", `start: ":INITiate"`, `start: "*WAI"`},
			want:      []Finding{{Part: "scope", What: "together", Said: "they are not of one acquisition", Sent: "8 captures at 10 MHz", Came: "a scatter of 108°", LookUp: "how one acquisition takes both channels"}},
		},
		"channels sampled in turn": {
			scope: samples(func(command string, codes []byte) {
				if strings.Contains(command, "CH2") {
					copy(codes, codes[1:])
				}
			}),
			want: []Finding{{Part: "scope", What: "sampled in turn", Said: "the channels are sampled one after the other", Sent: "captures at 250 kHz", Came: "0.95 of the time between samples", LookUp: "how one acquisition takes both channels"}},
		},
		"a sweep beyond the generator": {
			change: func(b *Bench) {
				b.Plan.Segments = []sweep.Segment{{From: 10e6, To: 2e9, Points: 10, Spacing: sweep.Logarithmic}}
			},
			want: []Finding{{Part: "bench", What: "sweep", Said: "1.11 GHz is outside the generator's 100 kHz to 1 GHz", Sent: "nothing", Came: "nothing", LookUp: "the generator's band"}},
		},
		"a message that the scope does not know": {
			digitiser: []string{`start: ":INITiate"`, `start: [":INITiate", ":BEGIN"]`},
			want:      []Finding{{Part: "scope", What: "error queue", Said: "refused by the instrument", Sent: ":SYSTem:ERRor?", Came: strings.Repeat("-113 Undefined header, ", 15) + "-350 Queue overflow", LookUp: "what the entry means"}},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			scenario := c.scenario
			if scenario == "" {
				scenario = "good-balun"
			}
			r := newRig(t, scenario, simbench.Options{}, c.spoil)
			r.watch(c.generator)
			r.Interfere(simbench.Scope, c.scope)
			b := r.bench(t)
			if c.silent { // and nothing else: a busy machine is slow
				b.Bench.Scope.TimeLimit = 300 * time.Millisecond
			}
			if c.dialect != nil {
				b.Generator.Dialect = altered(t, "scpi99-generator", c.dialect...)
			}
			if c.digitiser != nil {
				b.Bench.Scope.Dialect = altered(t, "scpi99-digitiser", c.digitiser...)
			}
			if c.change != nil {
				c.change(&b)
			}
			report := until(t, b, c.want)
			for _, want := range c.want {
				fails(t, report, want)
			}
		})
	}
}

// until runs a check and gives it up when all that is wanted has been told.
func until(t *testing.T, b Bench, want []Finding) *Report {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	left := map[[2]string]bool{}
	for _, f := range want {
		if f.What != lastOff { // that comes in any case
			left[[2]string{f.Part, f.What}] = true
		}
	}
	report, err := Run(ctx, b, func(f Finding) {
		if delete(left, [2]string{f.Part, f.What}); len(left) == 0 {
			cancel()
		}
	}, nil)
	if err != nil && !errors.Is(err, context.Canceled) {
		t.Fatal(err)
	}
	return report
}

// An instrument that is not there is told, and the other one is still tried.
func TestNoLink(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	gone := "tcp://" + listener.Addr().String()
	listener.Close()
	r := newRig(t, "good-balun", simbench.Options{}, nil)
	b := r.bench(t)
	b.Generator.Address = gone
	report, text := run(t, b)
	fails(t, report, Finding{Part: "generator", What: "link", Said: "link failed", Sent: "nothing", Came: "nothing", LookUp: "how the instrument is reached"})
	if find(report, "scope", "window").Status != OK || find(report, "bench", "signal").Status != Skipped {
		t.Error(text)
	}

	b = r.bench(t)
	b.Bench.Scope.Address = gone
	report, text = run(t, b)
	fails(t, report, Finding{Part: "scope", What: "link", Said: "link failed", Sent: "nothing", Came: "nothing", LookUp: "how the instrument is reached"})
	if find(report, "generator", "frequency").Status != OK || report.Drive != -60 {
		t.Error(text)
	}
}

// What a dialect has no query for is told, and is no failure.
func TestWhatIsNotReadBack(t *testing.T) {
	r := newRig(t, "good-balun", simbench.Options{}, nil)
	b := r.bench(t)
	b.Bench.Scope.Dialect = altered(t, "scpi99-digitiser", confirmRange, "", `errors: ":SYSTem:ERRor?"`, "errors: none")
	report, text := run(t, b)
	for what, said := range map[string]string{
		"range, arm 2": "set; not read back, the dialect has no confirm for it",
		"error queue":  "the dialect names none",
	} {
		if f := find(report, "scope", what); f.Status != Note || !strings.Contains(f.Said, said) {
			t.Errorf("%+v", f)
		}
	}
	if !report.Works {
		t.Error(text)
	}
}

// The drive keeps to the smallest limit of the bench, and a bench without any
// drive is refused before RF.
func TestTheDriveIsLow(t *testing.T) {
	for name, c := range map[string]struct {
		limit func(*Bench)
		drive float64
	}{
		"balun":       {func(b *Bench) { b.MaxDrive.Balun = -20 }, -20},
		"input limit": {func(b *Bench) { b.InputLimit = 0.02 }, -30}, // 20 mV peak open circuit
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t, "good-balun", simbench.Options{}, nil)
			b := r.bench(t)
			c.limit(&b)
			b.Plan.Headroom = 0
			report, text := run(t, b)
			if r.highest > c.drive || r.highest < c.drive-0.1 {
				t.Errorf("%g dBm was set, the bench stands %g dBm\n%s", r.highest, c.drive, text)
			}
			if find(report, "bench", "connected").Status != OK {
				t.Error(text)
			}
		})
	}
	r := newRig(t, "good-balun", simbench.Options{}, nil)
	b := r.bench(t)
	b.MaxDrive.Balun = -70
	if _, err := Run(t.Context(), b, nil, nil); err == nil || !strings.Contains(err.Error(), "no drive is allowed") {
		t.Error(err)
	}
}

// Given up in the middle, RF goes off and nothing is said against the instruments.
func TestGivenUp(t *testing.T) {
	r := newRig(t, "good-balun", simbench.Options{}, nil)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	report, err := Run(ctx, r.bench(t), func(f Finding) {
		if f.What == "connected" {
			cancel()
		}
	}, nil)
	if !errors.Is(err, context.Canceled) || report.Works {
		t.Errorf("%v, works: %v", err, report.Works)
	}
	for _, f := range report.Findings {
		if f.Status == Failed {
			t.Errorf("%+v", f)
		}
	}
	if last := report.Findings[len(report.Findings)-1]; last.What != lastOff || last.Status != OK {
		t.Errorf("%+v", last)
	}
}
