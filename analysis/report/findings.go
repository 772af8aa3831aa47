package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"halfturn/analysis/conformity"
	"halfturn/units"
)

// The findings are what Text and HTML say in words, worked out once.

// finding is one line of the summary: a figure, where, and against what.
type finding struct {
	Name, Value, Where, Limit string
}

// headline is the verdict in a few words.
func (in *Input) headline() string {
	switch {
	case in.Summary.Verdict != conformity.NotLimited:
		return string(in.Summary.Verdict)
	case in.calibrates():
		return "calibration"
	}
	return "measured, no limits given"
}

// subject names the run.
func (in *Input) subject() string {
	s := clean(in.Run.Kind)
	if in.Run.Kind == KindSwapped {
		s = "balun with its arms exchanged"
	}
	if label := clean(in.Run.Label); label != "" {
		s += " “" + label + "”"
	}
	return s
}

// sentence says what the verdict rests on.
func (in *Input) sentence() string {
	inside := 0
	count := map[conformity.Verdict]int{}
	for i := range in.Steps {
		if s := &in.Steps[i]; in.inBand(s.Point.Frequency) {
			inside++
			count[s.verdict()]++
		}
	}
	if len(in.Steps) == 0 {
		return "No step has been measured."
	}
	limits := "the limits"
	if name := clean(in.Limits.Name); name != "" {
		limits = "the limits “" + name + "”"
	}
	n := counted(inside, "step")
	of := func(k int) string { return fmt.Sprintf("%d of %s", k, n) }
	switch in.Summary.Verdict {
	case conformity.Pass:
		with := ", its uncertainty included."
		if in.Limits.Rule == conformity.Simple {
			with = "; by simple acceptance its uncertainty is not counted."
		}
		if inside == 1 {
			return "At the one step in the band every figure meets " + limits + with
		}
		return "At each of " + n + " every figure meets " + limits + with
	case conformity.ConditionalPass:
		return "Every figure lies inside " + limits + ", but at " + of(count[conformity.ConditionalPass]) + " by less than its uncertainty."
	case conformity.ConditionalFail:
		return "At " + of(count[conformity.ConditionalFail]) + " a figure lies outside " + limits + ", by less than its uncertainty."
	case conformity.Fail:
		at := "At " + of(count[conformity.Fail])
		switch in.Limits.Rule {
		case conformity.Simple:
			return at + " a figure lies outside " + limits + "."
		case conformity.Guarded:
			return at + " a figure does not meet " + limits + " by its uncertainty."
		}
		return at + " a figure lies outside " + limits + " by more than its uncertainty."
	case conformity.NotMeasurable:
		if inside == 0 {
			return "No step lies in the band of " + limits + "."
		}
		if count[conformity.NotMeasurable] == 0 {
			return "The sweep does not reach both ends of the band of " + limits + "; what of it was swept, " + n + ", is measurable."
		}
		return "At " + of(count[conformity.NotMeasurable]) + " nothing could be measured, or the uncertainty is larger than " + limits + "."
	}
	measured := 0
	for i := range in.Steps {
		if in.Steps[i].Measured {
			measured++
		}
	}
	return fmt.Sprintf("%d of %s measured, %s.", measured, counted(len(in.Steps), "step"), in.sweptText())
}

// swept is the span of all steps; zero where there are none.
func (in *Input) swept() (from, to units.Hertz) {
	for i := range in.Steps {
		f := in.Steps[i].Point.Frequency
		if i == 0 || f < from {
			from = f
		}
		to = max(to, f)
	}
	return from, to
}

func (in *Input) sweptText() string { return in.fromTo(in.swept()) }

// findings are the lines of the summary.
func (in *Input) findings() []finding {
	var list []finding
	if in.limited() && !in.calibrates() {
		f := finding{Name: "band that passes", Value: "none"}
		if in.Summary.PassTo > 0 {
			f.Value = in.fromTo(in.Summary.PassFrom, in.Summary.PassTo)
		}
		if in.Limits.To > 0 {
			f.Limit = "wanted " + in.fromTo(in.Limits.From, in.Limits.To)
		}
		list = append(list, f)
	}
	if in.calibrates() && in.Proof != nil && in.Proof.Why == "" {
		if in.Proof.Limited {
			list = append(list, in.Proof.decides(in))
		}
		list = append(list, in.Proof.skew())
	}
	for _, q := range in.quantities() {
		f := finding{Name: q.title, Value: notMeasurable, Limit: q.limitText(in.Limits)}
		if i := q.worstIn(in); i >= 0 {
			f.Value = q.textAt(&in.Steps[i])
			f.Where = "at " + in.frequency(in.Steps[i].Point.Frequency)
			f.Limit = q.limitText(in.Limits.At(in.Steps[i].Point.Frequency))
		}
		list = append(list, f)
	}
	if f, ok := in.held(); ok {
		list = append(list, f)
	}
	if c := in.Summary.LeastProbable; c.Quantity != "" && in.limited() && !in.calibrates() {
		list = append(list, finding{
			Name: "least probability of conformity", Value: percent(c.Probability),
			Where: "of " + c.Quantity + " at " + in.frequency(c.Frequency),
		})
	}
	if i := insertionLoss.worstIn(in); !in.calibrates() && i >= 0 && finite(float64(in.Summary.Flatness)) {
		list = append(list, finding{
			Name:  "flatness of insertion loss",
			Value: withU(float64(in.Summary.Flatness), float64(in.Summary.UFlatness), " dB"),
			Where: "over the band",
		})
	}
	return list
}

// held says where the fill stayed below what the plan asks for: the drive was at
// the most that generator and bench allow there, or a step below the aim was
// the next one.
func (in *Input) held() (f finding, ok bool) {
	n, least := 0, -1
	var first, last units.Hertz
	fill := func(i int) float64 { return max(in.Steps[i].Fill[0], in.Steps[i].Fill[1]) }
	for i := range in.Steps {
		if !in.Steps[i].Measured || !finite(fill(i)) || !(fill(i) < in.Fill.Min) {
			continue
		}
		if last = in.Steps[i].Point.Frequency; n == 0 {
			first = last
		}
		if n++; least < 0 || fill(i) < fill(least) {
			least = i
		}
	}
	if n == 0 {
		return f, false
	}
	return finding{
		Name:  "fill held down by the drive's limit",
		Value: fmt.Sprintf("%s with %s", rounded(fill(least), 2), in.Steps[least].Point.Drive),
		Where: fmt.Sprintf("at %s; %s, %s", in.frequency(in.Steps[least].Point.Frequency), counted(n, "step"), in.fromTo(first, last)),
		Limit: "wanted " + trimmed(in.Fill.Min),
	}, true
}

// stretch is a run of neighbouring steps in the band with the same verdict.
type stretch struct {
	Mark, Span, Verdict, Why string
	Steps                    string
}

// mostStretches bounds how many a summary lists.
const mostStretches = 12

// stretches are where and why the band does not pass, in order of frequency,
// and how many more there are.
func (in *Input) stretches() (list []stretch, more int) {
	var start, end int
	flush := func(verdict conformity.Verdict) {
		if start == end {
			return
		}
		if len(list) == mostStretches {
			more++
			return
		}
		steps := in.Steps[start:end]
		list = append(list, stretch{
			Mark:    verdictMark(verdict),
			Span:    in.fromTo(steps[0].Point.Frequency, steps[len(steps)-1].Point.Frequency),
			Verdict: verdictWord(verdict),
			Why:     in.why(steps, verdict),
			Steps:   counted(len(steps), "step"),
		})
	}
	var current conformity.Verdict
	for i := range in.Steps {
		s := &in.Steps[i]
		v := s.verdict()
		if !in.inBand(s.Point.Frequency) || v == conformity.Pass || v == conformity.NotLimited {
			v = conformity.Pass
		}
		if v != current {
			if current != conformity.Pass {
				flush(current)
			}
			start, current = i, v
		}
		end = i + 1
	}
	if current != conformity.Pass {
		flush(current)
	}
	return list, more
}

// why names the quantities that brought the verdict, and what the steps
// without a ratio say.
func (in *Input) why(steps []Step, verdict conformity.Verdict) string {
	var reasons []string
	for _, q := range in.quantities() {
		worst, at := math.Inf(-1), -1
		none := false
		for i := range steps {
			s := &steps[i]
			if !s.Measured || q.verdict(s.Decision) != verdict {
				continue
			}
			if r, ok := q.at(s); !ok {
				none = true
			} else if w := q.severity(r); w > worst {
				worst, at = w, i
			}
		}
		switch {
		case at >= 0:
			reasons = append(reasons, q.name+" "+q.textAt(&steps[at]))
		case none:
			reasons = append(reasons, q.name+" (uncertainty larger than the limit)")
		}
	}
	for i := range steps {
		if r := clean(steps[i].Remark); !steps[i].Measured && !slices.Contains(reasons, r) && len(reasons) < 5 {
			if r == "" {
				r = "no arm ratio"
			}
			if !slices.Contains(reasons, r) {
				reasons = append(reasons, r)
			}
		}
	}
	return strings.Join(reasons, "; ")
}

// incomplete says that the run has not reached its last step; empty if it has.
func (in *Input) incomplete() string {
	if in.Run.State == StateDone || in.Run.State == "" {
		return ""
	}
	s := "The run is not complete (" + clean(in.Run.State)
	if r := clean(in.Run.Reason); r != "" {
		s += ": " + r
	}
	return s + "); what follows is about the steps measured so far."
}

// cautions are said wherever a report tells someone to go to the bench.
// Common practice, and the makers' manuals of scopes for the earthed inputs.
var cautions = []string{
	"Local codes and licensed practice prevail over anything said here.",
	"Radiate only on a screened bench or within a licence: an unscreened fixture on a sweep is a transmitter.",
	"Keep the drive below the input limits of the scope and below what the balun stands.",
	"The scope's inputs are referenced to earth: never float the scope or lift its protective earth to measure a balanced arm.",
	"RF burns: switch RF off before touching the fixture or changing a connection.",
	"Ferrite may be hot after a long run at high drive; let it cool before handling it.",
}

// calibrationText says what took the fixture out, and how old it was.
func (in *Input) calibrationText() string {
	c := in.Calibration
	if c == nil {
		return "none"
	}
	s := fmt.Sprintf("run %d", c.ID)
	if l := clean(c.Label); l != "" {
		s += " “" + l + "”"
	}
	made := c.Finished
	if made.IsZero() {
		made = c.Started
	}
	if made.IsZero() {
		return s
	}
	s += ", " + moment(made)
	if !in.Run.Started.IsZero() {
		side := " before this run"
		if made.After(in.Run.Started) {
			side = " after the start of this run"
		}
		s += ", " + span(in.Run.Started.Sub(made)) + side
	}
	return s
}

// condition is one line of the conditions.
type condition struct{ Name, Value string }

// conditions are under what the run was made.
func (in *Input) conditions() []condition {
	var list []condition
	add := func(name, value string) {
		if value = clean(value); value != "" {
			list = append(list, condition{name, value})
		}
	}
	at := func(identity, address string) string {
		switch identity, address = clean(identity), clean(address); {
		case address == "":
			return identity
		case identity == "":
			return "at " + address
		}
		return identity + " at " + address
	}
	b := in.Bench
	add("run", fmt.Sprintf("%d, %s", in.Run.ID, in.subject()))
	add("bench", b.Name)
	add("fixture", b.Fixture)
	add("generator", at(b.GeneratorIdentity, b.GeneratorAddress))
	add("scope", at(b.ScopeIdentity, b.ScopeAddress))
	if b.Channels != [2]string{} {
		add("channels", fmt.Sprintf("arm 1 on %s, arm 2 on %s", b.Channels[0], b.Channels[1]))
	}
	if b.Reference != "" {
		add("phase reference", "on channel "+b.Reference)
	}
	add("load of an arm", b.loadText())
	if w := in.Winding; w != nil && w.Sleeves > 0 {
		add("on the line", counted(w.Sleeves, "sleeve"))
	}
	if d := b.MaxDrive; finite(float64(d.Generator)) && finite(float64(d.Balun)) {
		add("largest drive", fmt.Sprintf("generator %s, balun %s", d.Generator, d.Balun))
	}
	falling := make([]string, 0, len(b.MaxDrive.Falling))
	for i, l := range b.MaxDrive.Falling {
		upTo := "above"
		if i < len(b.MaxDrive.Falling)-1 {
			upTo = "up to " + l.UpTo.Brief()
		}
		falling = append(falling, fmt.Sprintf("%s %s", l.Most, upTo))
	}
	if len(falling) > 1 {
		add("generator's own limit", strings.Join(falling, ", "))
	}
	add("generator's attenuator", b.Attenuator)
	if b.InputLimit > 0 && finite(float64(b.InputLimit)) {
		add("input limit", b.InputLimit.Brief()+" peak")
	}
	if !in.calibrates() {
		add("calibration", in.calibrationText())
	}
	if len(in.Steps) > 0 {
		add("swept", in.sweptText()+", "+counted(len(in.Steps), "step"))
	}
	for _, note := range in.Notes {
		add("note", note)
	}
	add("started", moment(in.Run.Started))
	if in.Run.Finished.IsZero() {
		add("finished", "not yet")
	} else {
		add("finished", moment(in.Run.Finished)+", after "+span(in.Run.Finished.Sub(in.Run.Started)))
	}
	add("measured with", in.Run.Version)
	add("report", strings.TrimPrefix(moment(in.Generated)+", "+clean(in.Program), "unknown, "))
	return list
}

// loadText is what an arm and the generator see; empty where it is not known.
func (b *Bench) loadText() string {
	l := b.Load
	if l.Resistance <= 0 || !finite(float64(l.Resistance+l.Source)) || !finite(float64(l.Capacitance)) {
		return ""
	}
	return fmt.Sprintf("%s ∥ %s, source %s", l.Resistance, l.Capacitance, l.Source)
}

// errorsAgainstTruth compares each quantity with the simulator's exact value.
func (in *Input) errorsAgainstTruth() []finding {
	var list []finding
	for _, q := range append(in.quantities(), in.transmissions()...) {
		n, inside, largest, at := 0, 0, -1.0, 0
		for i := range in.Steps {
			s := &in.Steps[i]
			r, ok := q.at(s)
			if !ok || s.Truth == nil || !finite(q.exact(s.Truth)) {
				continue
			}
			exact := q.exact(s.Truth)
			if q.unit == "°" {
				exact = r.v + math.Remainder(exact-r.v, 360)
			}
			n++
			if exact >= r.lo && exact <= r.hi {
				inside++
			}
			if e := math.Abs(r.v - exact); !r.bounded && e > largest {
				largest, at = e, i
			}
		}
		if n == 0 {
			continue
		}
		f := finding{Name: q.name, Limit: fmt.Sprintf("exact value inside the stated interval at %d of %s", inside, counted(n, "step")), Value: "only bounds stated"}
		if largest >= 0 {
			f.Value = "largest error " + rounded(largest, mostPlaces) + q.unit
			f.Where = "at " + in.frequency(in.Steps[at].Point.Frequency)
		}
		list = append(list, f)
	}
	return list
}
