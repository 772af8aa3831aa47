package setup

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/analysis/conformity"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

const settle = "  settle: 20 ms\n"

func TestUncertainty(t *testing.T) {
	c := parsed(t, edited(t, settle, settle+`  uncertainty:
    connector_repeatability: {value: 0.01 dB, phase: 0.1 deg, correlation: 0.2, distribution: normal}
    crosstalk: {value: 60 dB, distribution: arcsine, reference: 100 MHz}
    skew_drift:
      value: 0 s
      distribution: normal
`))
	b, err := c.Bench.Uncertainty.Budget()
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[uncertainty.Name]string{
		uncertainty.ConnectorRepeatability: "0.01 dB and 0.1°, correlation 0.2, normal",
		uncertainty.Crosstalk:              "60 dB below at 100 MHz, in proportion to frequency, arcsine",
		uncertainty.SkewDrift:              "0 s, normal",
		uncertainty.LoadResistance:         "1 %, rectangular", // the default
	} {
		if got := b.Entry(name).Text(); got != want {
			t.Errorf("%s is %q, want %q", name, got, want)
		}
	}
}

func TestUncertaintyRefusals(t *testing.T) {
	for given, want := range map[string]string{
		"crosstalk: {value: 60 dB}":                                        `bench.yaml:24: bench.uncertainty.crosstalk: distribution is missing: say normal, arcsine or disc`,
		"crosstalk: {value: 60 dB, distribution: bell}":                    `bench.yaml:24: bench.uncertainty.crosstalk.distribution: is "bell", which is not known: say normal, arcsine or disc`,
		"load_resistance: {value: -1 %, distribution: normal}":             `bench.yaml:24: bench.uncertainty.load_resistance.value: is -1 %: it cannot be negative`,
		"load_resistance: {value: 1, distribution: normal}":                `bench.yaml:24: bench.uncertainty.load_resistance.value: "1" is not an amount with its unit, write it like "0.02 dB", "1 %", "50 ppm", "0.1 deg", "5 ps", "0.3 pF" or "1 nH"`,
		"range_gain: {value: 1 %, correlation: 1.5, distribution: normal}": `bench.yaml:24: bench.uncertainty.range_gain.correlation: is 1.5: it must be within -1 and 1`,
		"skew_drift: {value: 1 dB, distribution: normal}":                  `bench.yaml:24: bench.uncertainty.skew_drift.value: is 1 dB, write it like "5 ps"`,
		"crostalk: {value: 60 dB, distribution: normal}":                   `bench.yaml:24: bench.uncertainty.crostalk: there is no such key, did you mean "crosstalk"?`,
		"skew_drift: {distribution: normal}":                               `bench.yaml:24: bench.uncertainty.skew_drift: value is missing, write it like "5 ps"`,
	} {
		_, err := Parse("bench.yaml", []byte(edited(t, settle, settle+"  uncertainty:\n    "+given+"\n")))
		lines(t, given, err, want)
	}
	t.Setenv(variable(uncertain+".crosstalk.value"), "60 dB")
	_, err := Load("demo", nil)
	lines(t, "environment", err, "environment HALFTURN_BENCH_UNCERTAINTY_CROSSTALK_VALUE: an uncertainty comes from the file only")
}

const loss = "  insertion_loss: 1 dB\n"

func TestLimitsSegments(t *testing.T) {
	c := parsed(t, edited(t, loss, loss+`  segments:
    - {from: 30 MHz, to: 100 MHz, phase_balance: 3 deg}
    - from: 100 MHz
      to: 300 MHz
      amplitude_balance: 0.4 dB
      phase_balance: 3 deg
      common_mode_rejection: 30 dB
      insertion_loss: 0.5 dB
      end: {amplitude_balance: 0.6 dB, phase_balance: 6 deg, common_mode_rejection: 24 dB, insertion_loss: 2 dB}
`))
	want := &conformity.Segments{
		{From: 30e6, To: 100e6, Values: conformity.Values{PhaseBalance: pointer(units.Degrees(3))}},
		{From: 100e6, To: 300e6,
			Values: conformity.Values{
				AmplitudeBalance: pointer(units.DB(0.4)), PhaseBalance: pointer(units.Degrees(3)),
				CommonModeRejection: pointer(units.DB(30)), InsertionLoss: pointer(units.DB(0.5)),
			},
			End: conformity.Values{
				AmplitudeBalance: pointer(units.DB(0.6)), PhaseBalance: pointer(units.Degrees(6)),
				CommonModeRejection: pointer(units.DB(24)), InsertionLoss: pointer(units.DB(2)),
			}},
	}
	if diff := cmp.Diff(want, c.Limits.Segments); diff != "" {
		t.Error(diff)
	}
	if got := *c.Limits.At(50e6).AmplitudeBalance; got != 0.5 {
		t.Errorf("at 50 MHz the limit is %v, want that of the whole", got)
	}
}

func TestLimitsRefusals(t *testing.T) {
	for given, want := range map[string]string{
		"  rule: lenient\n": `bench.yaml:46: limits.rule: decision rule is "lenient": say non-binary, simple or guarded`,
		"  segments: [{from: 50 MHz, to: 40 MHz, phase_balance: 3 deg}]\n": `bench.yaml:46: limits.segments[0].from: is 50 MHz and to is 40 MHz: both are needed, above 0 Hz, and the lower one first`,
		"  segments: [{from: 50 MHz, to: 60 MHz, phase_balance: 3}]\n":     `bench.yaml:46: limits.segments[0].phase_balance: "3" is not an angle: the unit is missing, write it like "3 deg"`,
		"  segments: [{from: 50 MHz, to: 60 MHz, fase_balance: 3 deg}]\n":  `bench.yaml:46: limits.segments[0].fase_balance: there is no such key, did you mean "phase_balance"?`,
	} {
		text := edited(t, loss+"  rule: guarded\n", loss+given)
		_, err := Parse("bench.yaml", []byte(text))
		lines(t, given, err, want)
	}
}
