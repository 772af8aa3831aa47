package report

import (
	"encoding/csv"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"halfturn/analysis/choke"
	"halfturn/units"
)

// column is one column of the CSV: its name, its unit and how a step fills it.
type column struct {
	name, unit string
	cell       func(*Step) string
}

// number writes v so that reading gives back the same float64; empty where it
// is none.
func number(v float64) string {
	if !finite(v) {
		return ""
	}
	return string(appendNumber(nil, v))
}

// appendNumber writes v in full as long as that is not longer than people
// read, so that 1 MHz is 1000000 and not 1e+06.
func appendNumber(to []byte, v float64) []byte {
	format := byte('g')
	if abs := math.Abs(v); abs >= 1e-5 && abs < 1e15 {
		format = 'f'
	}
	return strconv.AppendFloat(to, v, format, -1, 64)
}

// CSV writes a row of names, a row of units and one row a step (RFC 4180,
// lines ended by a newline alone). What is not measurable is left empty. u_
// names the expanded uncertainty, k = 2, and _low an assured lower bound. Z_c
// is that of the balun's winding, where the run tells it. A simulated run has columns with the
// exact values as well. With a phase reference there are reference_ and
// transmission_ columns: _read_ as read, else of each arm with the calibration
// cable taken out against a lossless 1:1 balun, complex, in dB and in degrees.
func CSV(w io.Writer, in Input) error {
	columns := in.columns()
	c := csv.NewWriter(w)
	row := make([]string, len(columns))
	for i, col := range columns {
		row[i] = col.name
	}
	if err := c.Write(row); err != nil {
		return err
	}
	for i, col := range columns {
		row[i] = col.unit
	}
	if err := c.Write(row); err != nil {
		return err
	}
	for s := range in.Steps {
		for i, col := range columns {
			row[i] = col.cell(&in.Steps[s])
		}
		if err := c.Write(row); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

func (in *Input) columns() []column {
	list := []column{
		{"step", "1", func(s *Step) string { return strconv.Itoa(s.Index) }},
		{"taken", "RFC 3339", func(s *Step) string {
			if s.Taken.IsZero() {
				return ""
			}
			return s.Taken.Format(time.RFC3339Nano)
		}},
		{"frequency", "Hz", func(s *Step) string { return number(float64(s.Point.Frequency)) }},
		{"drive", "dBm", func(s *Step) string { return number(float64(s.Point.Drive)) }},
	}
	add := func(name, unit string, v func(*Step) float64) {
		list = append(list, column{name, unit, func(s *Step) string { return number(v(s)) }})
	}
	whenMeasured := func(v func(*Step) float64) func(*Step) string {
		return func(s *Step) string {
			if !s.Measured {
				return ""
			}
			return number(v(s))
		}
	}
	for i, arm := range []string{"_1", "_2"} {
		add("range"+arm, "V peak to peak", func(s *Step) float64 { return float64(s.Point.Range[i]) })
	}
	for i, arm := range []string{"_1", "_2"} {
		add("fill"+arm, "1", func(s *Step) float64 { return s.Fill[i] })
	}
	add("acquisitions", "1", func(s *Step) float64 { return float64(s.Acquisitions) })
	add("captures", "1", func(s *Step) float64 { return float64(s.Point.Captures) })
	add("samples", "1", func(s *Step) float64 { return float64(s.Point.Samples) })
	for i, arm := range []string{"_1", "_2"} {
		list = append(list, column{"amplitude" + arm, "V peak", whenMeasured(func(s *Step) float64 { return float64(s.Point.Amplitude[i]) })})
	}
	list = append(list,
		column{"ratio_read_re", "1", whenMeasured(func(s *Step) float64 { return real(s.Point.Ratio) })},
		column{"ratio_read_im", "1", whenMeasured(func(s *Step) float64 { return imag(s.Point.Ratio) })})
	if !in.calibrates() {
		list = append(list,
			column{"ratio_re", "1", whenMeasured(func(s *Step) float64 { return real(s.Result.Ratio) })},
			column{"ratio_im", "1", whenMeasured(func(s *Step) float64 { return imag(s.Result.Ratio) })})
	}
	for _, q := range in.quantities() {
		name, unit := q.column()
		list = append(list, column{name, unit, func(s *Step) string {
			if r, ok := q.at(s); ok && !r.bounded {
				return number(r.v)
			}
			return ""
		}})
		uncertainty := column{"u_" + name, unit, func(s *Step) string {
			if r, ok := q.at(s); ok {
				return number(r.u)
			}
			return ""
		}}
		if q.bound < 0 {
			uncertainty = column{name + "_low", unit, func(s *Step) string {
				if r, ok := q.at(s); ok {
					return number(r.lo)
				}
				return ""
			}}
		}
		list = append(list, uncertainty)
	}
	list = append(list, in.referenceColumns()...)
	list = append(list, in.chokeColumns()...)
	list = append(list,
		column{"verdict", "", func(s *Step) string { return string(s.verdict()) }},
		column{"remark", "", func(s *Step) string { return cellText(s.remark()) }})
	if in.simulated() {
		for _, q := range in.quantities() {
			name, unit := q.column()
			list = append(list, column{"exact_" + name, unit, func(s *Step) string {
				if s.Truth == nil {
					return ""
				}
				return number(q.exact(s.Truth))
			}})
		}
		for _, q := range in.transmissions() {
			_, unit := q.column()
			list = append(list, column{"exact_" + q.key, unit, func(s *Step) string {
				if s.Truth == nil {
					return ""
				}
				return number(q.exact(s.Truth))
			}})
		}
	}
	return list
}

// chokeColumns are Z_c of the winding, where there is one: R, X and magnitude,
// which are empty where only the lower bound of the magnitude is known.
func (in *Input) chokeColumns() []column {
	if in.Winding == nil || in.Winding.Why != "" {
		return nil
	}
	var list []column
	add := func(name string, bounded bool, v func(*choke.Impedance) units.Ohms) {
		list = append(list, column{name, "ohm", func(s *Step) string {
			z, ok := in.impedance(s)
			if !ok || !bounded && !told(&z) {
				return ""
			}
			return number(float64(v(&z)))
		}})
	}
	add("choke_resistance", false, func(z *choke.Impedance) units.Ohms { return z.R })
	add("u_choke_resistance", false, func(z *choke.Impedance) units.Ohms { return z.UR })
	add("choke_reactance", false, func(z *choke.Impedance) units.Ohms { return z.X })
	add("u_choke_reactance", false, func(z *choke.Impedance) units.Ohms { return z.UX })
	add("choke_impedance", false, func(z *choke.Impedance) units.Ohms { return z.Magnitude })
	add("u_choke_impedance", false, func(z *choke.Impedance) units.Ohms { return z.UMagnitude })
	add("choke_impedance_low", true, func(z *choke.Impedance) units.Ohms { return z.AtLeast })
	return list
}

// impedance is Z_c at a step; false where the step tells none.
func (in *Input) impedance(s *Step) (choke.Impedance, bool) {
	if !s.Measured || in.calibrates() {
		return choke.Impedance{}, false
	}
	result := s.Result
	if in.Run.Kind == KindSwapped {
		if result.Ratio == 0 {
			return choke.Impedance{}, false
		}
		result = Straightened(result)
	}
	z, err := choke.At(result, in.Bench.Load)
	return z, err == nil
}

// column splits the key into a name and the unit of the units row.
func (q quantity) column() (name, unit string) {
	i := strings.LastIndexByte(q.key, '_')
	return q.key[:i], map[string]string{"db": "dB", "deg": "deg"}[q.key[i+1:]]
}

// cellText cleans text and keeps a spreadsheet from taking it for a formula.
func cellText(s string) string {
	s = clean(s)
	if s != "" && strings.ContainsRune("=+-@", rune(s[0])) {
		return "'" + s
	}
	return s
}
