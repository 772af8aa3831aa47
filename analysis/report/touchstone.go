package report

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"sort"
	"strconv"
	"strings"
)

// ErrNothingToExport: a three-port can only be written of a balun run with at
// least one step whose ratio and insertion loss are both known.
var ErrNothingToExport = errors.New("nothing to export as a three-port")

// The comment lines of the file. What a balun does in a 50 Ω system is not
// what the bench measures, whose arms are loaded otherwise; so the file says
// what it takes for granted.
const touchstoneNotes = `Three-port, Touchstone 1.1. Port 1 is the unbalanced port, ports 2 and 3 are arm 1 and arm 2.
Reference impedance 50 ohm at every port (the balanced pair: 100 ohm).

Known from the measurement, fixture taken out:
  r  = phasor of arm 2 over phasor of arm 1, complex, with the balun over the same
       with the calibration cable in its place; ideal -1
  IL = insertion loss in dB against a lossless 1:1 balun in the same fixture
Reference planes:
  ports 2 and 3: where the calibration cable joins both arms; the fixture from there
  on and the scope are taken out. Port 1: the plug that balun and cable share.
Written from these:
  S31 = r S21, so that S31/S21 is the arm ratio as measured
  S21 - S31 = (4/3) 10^(-IL/20); a lossless balanced 1:1 balun has S21 = 2/3, S31 = -2/3
so that
  r = S31/S21,  |T| = |K| (3/4) |S21 - S31|  with K = (Z_L + 2 Z0)/(2 Z_L + Z0)
Taken for granted:
  r and IL, measured with the arm loads below, hold with 50 ohm at each arm too.
  With ferrite of low impedance r depends on the load: do not rely on it there.
Unknown:
  the phase of the transmission: S21 - S31 is written real and positive;
  all reflections and the transmission between the arms: S11, S22, S33, S23, S32 written as 0;
  S12 = S21 and S13 = S31 by reciprocity (a passive balun without biased ferrite).
  A zero here means unknown, not matched or isolated.`

// referredNotes stand in their place where a phase reference tells the phase.
const referredNotes = `Three-port, Touchstone 1.1. Port 1 is the unbalanced port, ports 2 and 3 are arm 1 and arm 2.
Reference impedance 50 ohm at every port (the balanced pair: 100 ohm).

Known from the measurement with a phase reference, which samples a split of the
generator's signal beside both arms:
  t_i = phasor of arm i over that of the reference, complex, with the balun over
        the same with the calibration cable in its place, in the same fixture and
        by the same channels: the transmission from the unbalanced port to arm i
        relative to the calibration cable
  K   = (Z_L + 2 Z0)/(2 Z_L + Z0): t_1 of a lossless 1:1 balun between the arm
        loads below, t_2 = -K; Z0 is the source as the reference sees it
Reference planes:
  ports 2 and 3: where the calibration cable joins both arms; the fixture from there
  on and the scope are taken out. Port 1: the plug that balun and cable share.
Written from these:
  S21 = (2/3) t_1/K,  S31 = (2/3) t_2/K
  a lossless balanced 1:1 balun has S21 = 2/3, S31 = -2/3 in a 50 ohm system
so that
  S31/S21 = arm ratio,  |S21 - S31| = (4/3) 10^(-IL/20) with IL the insertion loss in dB
Phase:
  exp(+j 2 pi f t) convention, relative to the calibration cable. With a cable of the
  delay d, multiply by exp(-j 2 pi f d) for the phase from port 1 itself.
Taken for granted:
  t_i/K, measured with the arm loads below, holds with 50 ohm at each arm too.
  With ferrite of low impedance it depends on the load: do not rely on it there.
Unknown:
  all reflections and the transmission between the arms: S11, S22, S33, S23, S32 written as 0;
  S12 = S21 and S13 = S31 by reciprocity (a passive balun without biased ferrite).
  A zero here means unknown, not matched or isolated.`

// Touchstone writes the three-port of what is known of a balun as a Touchstone
// 1.1 file (EIA/IBIS Open Forum, Touchstone File Format Specification, rev.
// 1.1, from memory: option line, one matrix row a line, frequencies ascending,
// ASCII). The
// comment lines say what is measured, assumed and unknown. Steps that are not
// measurable are left out. Mixed mode: S21 - S31 is √2 Sds21 (Bockelman and
// Eisenstadt, 1995).
func Touchstone(w io.Writer, in Input) error {
	if in.calibrates() {
		return fmt.Errorf("%w: run %d is a calibration, there is no balun in it", ErrNothingToExport, in.Run.ID)
	}
	steps := make([]*Step, 0, len(in.Steps))
	referred := in.referred()
	for i := range in.Steps {
		s := &in.Steps[i]
		if referred && !(s.Result.Referred && finite(cmplx.Abs(s.Result.Transmission[0].Value)+cmplx.Abs(s.Result.Transmission[1].Value))) {
			continue
		}
		_, ok := insertionLoss.at(s)
		r := s.Result.Ratio
		if f := float64(s.Point.Frequency); ok && finite(f) && f >= 0 && finite(cmplx.Abs(r)) && cmplx.Abs(1-r) > 1e-9 {
			steps = append(steps, s)
		}
	}
	if len(steps) == 0 {
		return fmt.Errorf("%w: no step of run %d has both a ratio and an insertion loss", ErrNothingToExport, in.Run.ID)
	}
	sort.SliceStable(steps, func(a, b int) bool { return steps[a].Point.Frequency < steps[b].Point.Frequency })

	b := bufio.NewWriter(w)
	comment := func(s string) {
		b.WriteString(strings.TrimRight("! "+ascii(s), " ") + "\n")
	}
	comment(in.subject() + ", run " + strconv.FormatInt(in.Run.ID, 10))
	comment("measured " + moment(in.Run.Started) + " on " + orUnnamed(in.Bench.Name))
	comment("written by " + clean(in.Program))
	if in.Calibration != nil {
		comment("calibration: " + in.calibrationText())
	}
	comment("")
	notes := touchstoneNotes
	if referred {
		notes = referredNotes
	}
	for line := range strings.SplitSeq(notes, "\n") {
		comment(line)
	}
	if l := in.Bench.loadText(); l != "" {
		comment("Arm load Z_L = " + strings.Replace(l, ", source ", ", source Z0 = ", 1))
	}
	if n := len(in.Steps) - len(steps); n > 0 {
		comment(fmt.Sprintf("%d of %d steps not measurable, left out.", n, len(in.Steps)))
	}
	comment("Uncertainties have no place in this format: the CSV and JSON files hold them, step by step.")
	comment("")
	comment("Hz  S11 S12 S13 / S21 S22 S23 / S31 S32 S33, real and imaginary part of each")
	b.WriteString("# Hz S RI R 50\n")
	last := math.Inf(-1)
	for _, s := range steps {
		f := float64(s.Point.Frequency)
		if f == last { // frequencies must ascend strictly; the first of two is kept
			continue
		}
		last = f
		s21, s31 := threePort(s.Result.Ratio, float64(s.Result.InsertionLoss))
		if referred {
			s21, s31 = s.Result.Transmission[0].Value*2/3, s.Result.Transmission[1].Value*2/3
		}
		const unknown = complex128(0)
		line := strconv.AppendFloat(nil, f, 'f', -1, 64)
		for i, row := range [3][3]complex128{{unknown, s21, s31}, {s21, unknown, unknown}, {s31, unknown, unknown}} {
			if i > 0 {
				line = append(line, "   "...)
			}
			for _, z := range row {
				line = appendPair(line, z)
			}
			line = append(line, '\n')
		}
		b.Write(line)
	}
	return b.Flush()
}

// threePort is S21 and S31 of the conventions in touchstoneNotes.
func threePort(r complex128, loss float64) (s21, s31 complex128) {
	s21 = complex(4.0/3*math.Pow(10, -loss/20), 0) / (1 - r)
	return s21, r * s21
}

func appendPair(line []byte, z complex128) []byte {
	line = append(line, ' ')
	line = strconv.AppendFloat(line, real(z), 'g', 12, 64)
	line = append(line, ' ')
	return strconv.AppendFloat(line, imag(z), 'g', 12, 64)
}

// ascii writes what a Touchstone file may hold.
func ascii(s string) string {
	indent := s[:len(s)-len(strings.TrimLeft(s, " "))]
	s = strings.NewReplacer("Ω", "ohm", "∥", "||", "µ", "u", "“", "'", "”", "'").Replace(clean(s))
	return indent + strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '?'
		}
		return r
	}, s)
}
