package check

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"halfturn/units"
)

// brief writes a time with three significant digits.
func brief(d time.Duration) string { return units.Seconds(max(0, d).Seconds()).Brief() }

// Write writes a finding: one line, and three below it where it failed.
func (f *Finding) Write(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%-8s%-11s%-20s%s\n", f.Status, f.Part, f.What, f.Said)
	if f.Status == Failed {
		fmt.Fprintf(&b, "        sent      %s\n        came back %s\n        look up   %s\n", f.Sent, f.Came, f.LookUp)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// Write writes what stands below the findings: what the bench can measure, and
// whether all works.
func (r *Report) Write(w io.Writer) error {
	var b strings.Builder
	if c := r.Reach; c != nil {
		fmt.Fprintf(&b, "\nThis bench measures from %s to %s. With a balun that is right, k = 2:\n", c.From.Brief(), c.To.Brief())
		for i := range c.Points {
			c.Points[i].write(&b)
		}
		fmt.Fprintf(&b, "The configured sweep of %d steps takes about %s.\n", c.Steps, sweepTime(c.Sweep))
	}
	failed := 0
	for i := range r.Findings {
		if r.Findings[i].Status == Failed {
			failed++
		}
	}
	switch {
	case failed > 0:
		fmt.Fprintf(&b, "\n%d of %d findings say what does not work.\n", failed, len(r.Findings))
	case r.Works:
		fmt.Fprint(&b, "\nAll works.\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (p *Point) write(b *strings.Builder) {
	fmt.Fprintf(b, "  %-8s  ±%s, ±%s (noise ±%s, ±%s), rejection up to %s; %d captures at %v on %s",
		p.Frequency.Brief(), decibels(float64(p.UAmplitudeBalance)), degrees(float64(p.UPhaseBalance)),
		decibels(float64(p.NoiseAmplitudeBalance)), degrees(float64(p.NoisePhaseBalance)), decibels(float64(p.Rejection)), p.Captures, p.Drive, p.Range.Brief())
	var limits []string
	if l := p.Limits.AmplitudeBalance; l != nil {
		limits = append(limits, l.String())
	}
	if l := p.Limits.PhaseBalance; l != nil {
		limits = append(limits, degrees(float64(*l)))
	}
	if l := p.Limits.Rejection; l != nil {
		limits = append(limits, "rejection "+l.String())
	}
	switch {
	case len(limits) == 0:
		fmt.Fprint(b, "\n")
	case p.Decides:
		fmt.Fprintf(b, "; decides %s\n", strings.Join(limits, ", "))
	default:
		fmt.Fprintf(b, "; CANNOT decide %s\n", strings.Join(limits, ", "))
	}
}

// signed writes a deviation with its sign, and none where it rounds to zero.
func signed(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	if v > 0 {
		return "+" + s
	}
	return s
}

func decibels(v float64) string { return figure(v) + " dB" }
func degrees(v float64) string  { return figure(v) + "°" }

func figure(v float64) string {
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return "∞"
	}
	return fmt.Sprintf("%.2g", v)
}

// sweepTime rounds a time that is an estimate.
func sweepTime(t units.Seconds) string {
	if t < 1 {
		return "a second"
	}
	return time.Duration(math.Round(float64(t)) * float64(time.Second)).String()
}
