package setup

import (
	"slices"
	"strings"
	"time"

	"halfturn/analysis/conformity"
	"halfturn/drivers/link"
	"halfturn/sweep"
	"halfturn/units"
)

// strongest bounds the drive limits, so that a slip of the finger ("130 dBm")
// does not switch a protection off: 100 W is more than any generator of this
// kind gives (common practice).
const strongest units.DBm = 50

// checkRequired says what is missing that has no default.
func (r *reader) checkRequired() {
	for _, k := range required {
		if r.origin(k.key) == byDefault && !r.said(k.key) {
			r.wrong(k.key, "is missing, write it like %q", k.example)
		}
	}
}

func (r *reader) checkChannels(channels []string) {
	const key = "bench.scope.channels"
	// A list in the file of three would leave it open what the third is.
	referred := len(channels) == 3 && (r.origin(key) == inEnvironment || r.doc.places[join(key, "reference")] != "")
	switch {
	case r.origin(key) == byDefault || r.said(key) || r.saidIn(key): // none: the dialect's first two
	case len(channels) != 2 && !referred:
		r.wrong(key, "holds %d: two are wanted, that of arm 1 and that of arm 2, like [1, 2], or with a phase reference {arm1: 1, arm2: 2, reference: 3}", len(channels))
	case slices.Contains(channels, ""):
		r.wrong(key, "a channel has no name, write them like [1, 2]")
	case channels[0] == channels[1]:
		r.wrong(key, "both arms are on channel %s: each needs its own", channels[0])
	case referred && slices.Contains(channels[:2], channels[2]):
		r.wrong(key, "channel %s is an arm's and the reference's: each needs its own", channels[2])
	}
}

// check looks at what the types cannot: what is out of its range, and what
// contradicts itself. The frequencies are checked by checkStretches.
func (c *Config) check(r *reader) {
	b, p := &c.Bench, &c.Plan
	// must tells what is wrong with one value that somebody gave.
	must := func(holds bool, key, format string, a ...any) {
		if !holds && r.origin(key) != byDefault && !r.said(key) {
			r.wrong(key, format, a...)
		}
	}
	timeLimit := func(key string, d time.Duration) {
		must(d > 0, key, "is %v: a time limit must be above 0 s", d)
	}
	timeLimit("bench.generator.time_limit", b.Generator.TimeLimit)
	timeLimit("bench.scope.time_limit", b.Scope.TimeLimit)
	reachable := func(key, address string) {
		if address != "" { // said already
			err := link.Check(address)
			must(err == nil, key, "%v", err)
		}
	}
	reachable("bench.generator.address", b.Generator.Address)
	reachable("bench.scope.address", b.Scope.Address)
	must(b.Generator.Address != b.Scope.Address, r.given("bench.scope.address", "bench.generator.address"),
		"generator and scope have the same address %s", b.Scope.Address)
	must(b.Load.Resistance > 0, "bench.load.resistance", "is %v: it must be above 0 Ω", b.Load.Resistance)
	must(b.Load.Capacitance >= 0, "bench.load.capacitance", "is %v: it cannot be negative", b.Load.Capacitance)
	must(b.Load.Source > 0, "bench.load.source", "is %v: it must be above 0 Ω", b.Load.Source)
	must(b.MaxDrive.Generator <= strongest, "bench.max_drive.generator", "is %v: a limit above %v protects nothing", b.MaxDrive.Generator, strongest)
	must(b.MaxDrive.Balun <= strongest, "bench.max_drive.balun", "is %v: a limit above %v protects nothing", b.MaxDrive.Balun, strongest)
	must(b.InputLimit > 0, "bench.input_limit", "is %v: it must be above 0 V, or left out for the dialect's", b.InputLimit)
	must(b.ClockTolerance > 0, "bench.clock_tolerance", "is %v: no two clocks agree exactly, it must be above 0 ppm", b.ClockTolerance)
	must(b.Settle >= 0, "bench.settle", "is %v: it cannot be negative", b.Settle)

	must(p.Captures >= 1, "plan.captures", "is %d: at least 1 is needed", p.Captures)
	if !r.said("plan.captures", "plan.max_captures") {
		must(p.MaxCaptures >= p.Captures, r.given("plan.max_captures", "plan.captures"), "max_captures %d is below captures %d", p.MaxCaptures, p.Captures)
	}
	must(p.Precision > 0 && p.Precision <= 1, "plan.precision", "is %g: it is a part of the limits, above 0 and at most 1", p.Precision)
	fill := func(key string, v float64) {
		must(v > 0 && v < 1, key, "is %g: a fill is a part of the range, between 0 and 1", v)
	}
	fill("plan.fill.aim", p.Fill.Aim)
	fill("plan.fill.min", p.Fill.Min)
	fill("plan.fill.max", p.Fill.Max)
	if !r.said("plan.fill.aim", "plan.fill.min", "plan.fill.max") {
		must(p.Fill.Min < p.Fill.Aim && p.Fill.Aim < p.Fill.Max, r.given("plan.fill.aim", "plan.fill.min", "plan.fill.max"),
			"min %g, aim %g and max %g must rise in this order", p.Fill.Min, p.Fill.Aim, p.Fill.Max)
	}
	must(p.Headroom >= 0, "plan.headroom", "is %v: it cannot be negative", p.Headroom)
	must(p.MaxAge > 0, "plan.max_age", "is %v: it must be above 0 s", p.MaxAge)
	must(p.Linearity.Drop > 0 && p.Linearity.Drop <= sweep.LargestDrop, "plan.linearity.drop",
		"is %v: it must be above 0 dB and at most %v", p.Linearity.Drop, sweep.LargestDrop)
	must(p.Linearity.Every >= 0, "plan.linearity.every", "is %d: it is a number of steps, or 0 for none", p.Linearity.Every)
	c.checkHabits(r)
	must(c.Thin.After >= 24*time.Hour, "thin.after", "is %v: it must be 1 d at least; without it all captures stay", c.Thin.After)
	c.checkUncertainty(r)
	c.checkLimits(r)
	c.checkServe(r)
}

// uncertain is where the budget stands.
const uncertain = "bench.uncertainty"

// checkUncertainty asks the budget itself, and puts each line where its key stands.
func (c *Config) checkUncertainty(r *reader) {
	for _, line := range problemsOf(c.Bench.Uncertainty.Validate()) {
		entry, what, _ := strings.Cut(strings.TrimPrefix(line, "budget."), ": ")
		key := join(uncertain, entry)
		if field, rest, _ := strings.Cut(what, " "); r.doc.places[join(key, field)] != "" {
			key, what = join(key, field), rest
		}
		if !r.said(key) {
			r.wrong(key, "%s", what)
		}
	}
}

// problemsOf are the lines of an error, however deep it joins others.
func problemsOf(err error) []string {
	if err == nil {
		return nil
	}
	return strings.Split(err.Error(), "\n")
}

// checkLimits asks the limits themselves, and puts each line where its key stands.
func (c *Config) checkLimits(r *reader) {
	if _, named := r.doc.values["limits"]; !named && c.Limits == (conformity.Limits{}) {
		return
	}
	if from, to := c.Limits.From, c.Limits.To; from > to && to > 0 && !r.said("limits.from", "limits.to") {
		// Both ends together; said here since either may have been overridden.
		r.wrong(r.given("limits.from", "limits.to"), "from %v is above to %v: the band is upside down", from, to)
		r.silence("limits.from")
	}
	for _, line := range problemsOf(c.Limits.Validate()) {
		what := strings.TrimPrefix(line, "limits: ")
		key, rest, _ := strings.Cut(what, " ")
		key = join("limits", strings.TrimSuffix(key, ":"))
		switch {
		case r.said(key), strings.HasPrefix(key, "limits.segments") && r.saidIn("limits.segments"):
		case (slices.Contains(known, key) || r.doc.places[key] != "") && strings.HasPrefix(rest, "is "):
			r.wrong(key, "%s", rest)
		default:
			r.wrong("limits", "%s", what)
		}
	}
}

// given is the one of the keys that somebody gave and that overrides most, for
// what is wrong with several of them together.
func (r *reader) given(keys ...string) string {
	best := keys[0]
	for _, k := range keys[1:] {
		if r.origin(k) > r.origin(best) {
			best = k
		}
	}
	return best
}
