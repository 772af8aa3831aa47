package report

import (
	"bufio"
	"encoding/json"
	"io"
	"strings"
	"time"

	"halfturn/analysis/conformity"
	"halfturn/analysis/linearity"
)

// figure is a number in JSON: null where it is none, since JSON has neither
// NaN nor infinity (RFC 8259, 6).
type figure float64

func (f figure) MarshalJSON() ([]byte, error) {
	if !finite(float64(f)) {
		return []byte("null"), nil
	}
	return appendNumber(nil, float64(f)), nil
}

type jsonRun struct {
	ID          int64   `json:"id"`
	Kind        string  `json:"kind"`
	Label       string  `json:"label"`
	Started     *string `json:"started"`
	Finished    *string `json:"finished"`
	State       string  `json:"state"`
	Reason      string  `json:"reason,omitempty"`
	Calibration *int64  `json:"calibration"`
	Verdict     *string `json:"verdict"`
	Bench       string  `json:"bench,omitempty"`
	Limits      string  `json:"limits,omitempty"`
	Rule        string  `json:"rule,omitempty"`
	Version     string  `json:"version,omitempty"`
}

type jsonWorst struct {
	Frequency *figure `json:"frequency_hz"`
	Value     *figure `json:"value"`
	U         *figure `json:"u_"`
	Low       *figure `json:"low,omitempty"` // assured, of a rejection
}

type jsonSummary struct {
	Band          *[2]figure           `json:"band_hz"`
	PassFrom      *figure              `json:"pass_from_hz"`
	PassTo        *figure              `json:"pass_to_hz"`
	Worst         map[string]jsonWorst `json:"worst"`
	Flatness      *figure              `json:"flatness_db,omitempty"`
	UFlatness     *figure              `json:"u_flatness_db,omitempty"`
	Steps         int                  `json:"steps"`
	NotMeasurable int                  `json:"not_measurable"`
	Probability   *jsonProbability     `json:"least_probability_of_conformity,omitempty"`
}

type jsonProbability struct {
	Probability figure `json:"probability"`
	Quantity    string `json:"quantity"`
	Frequency   figure `json:"frequency_hz"`
}

type jsonStep struct {
	Index                  int       `json:"index"`
	Frequency              figure    `json:"frequency_hz"`
	Drive                  figure    `json:"drive_dbm"`
	Range                  [2]figure `json:"range_vpp"` // arm 1, arm 2
	Captures               int       `json:"captures"`
	Acquisitions           int       `json:"acquisitions"`
	Fill                   [2]figure `json:"fill"` // arm 1, arm 2
	RatioRe                *figure   `json:"ratio_re"`
	RatioIm                *figure   `json:"ratio_im"`
	AmplitudeBalance       *figure   `json:"amplitude_balance_db"`
	UAmplitudeBalance      *figure   `json:"u_amplitude_balance_db"`
	PhaseBalance           *figure   `json:"phase_balance_deg"`
	UPhaseBalance          *figure   `json:"u_phase_balance_deg"`
	CommonModeRejection    *figure   `json:"common_mode_rejection_db"`
	CommonModeRejectionLow *figure   `json:"common_mode_rejection_low_db"`
	InsertionLoss          *figure   `json:"insertion_loss_db"`
	UInsertionLoss         *figure   `json:"u_insertion_loss_db"`

	// with a phase reference only
	Transmission []jsonTransmission `json:"transmission,omitempty"` // arm 1, arm 2
	Reference    *jsonReference     `json:"reference,omitempty"`

	// of a calibration run only
	GainMismatch     *figure `json:"gain_mismatch_db,omitempty"`
	UGainMismatch    *figure `json:"u_gain_mismatch_db,omitempty"`
	PhaseDifference  *figure `json:"phase_difference_deg,omitempty"`
	UPhaseDifference *figure `json:"u_phase_difference_deg,omitempty"`

	Verdict *string    `json:"verdict"`
	Remark  string     `json:"remark,omitempty"`
	Exact   *jsonExact `json:"exact,omitempty"` // of a simulated bench
}

type jsonExact struct {
	RatioRe             figure `json:"ratio_re"`
	RatioIm             figure `json:"ratio_im"`
	AmplitudeBalance    figure `json:"amplitude_balance_db"`
	PhaseBalance        figure `json:"phase_balance_deg"`
	CommonModeRejection figure `json:"common_mode_rejection_db"`
	InsertionLoss       figure `json:"insertion_loss_db"`

	Transmission [][2]figure `json:"transmission_re_im,omitempty"` // arm 1, arm 2
}

// JSON writes {"run": …, "summary": …, "transmission": …, "swapped": …, "choke": …, "budgets": …,
// "linearity": …, "fixture": …, "steps": [ … ]}, one step a line; what stands
// between summary and steps only where the run has it. u_ is the expanded uncertainty, k = 2; a quantity that is not measurable is
// null. ratio_re and ratio_im are the arm ratio with the fixture taken out;
// in a calibration run, as read. A common-mode rejection of which only a
// bound is known is null with the bound in common_mode_rejection_low_db.
func JSON(w io.Writer, in Input) error { return JSONWithCaptures(w, in, nil) }

// JSONWithCaptures is JSON with all that was sampled, in each step of a run:
//
//	"captured": [{"rate_hz": …, "traces": [{"arm": 1, "volts_per_code": …, "zero": …,
//	  "low": …, "high": …, "codes": [ … ]}, {"arm": 2, … }]}, … ]
//
// and with a phase reference a third trace, {"reference": true, … } without "arm".
// volts = (code - zero) · volts_per_code; a code at low or high is clipped.
// Those of a step's second, lower drive come last. Captures are asked for one
// step at a time, so that a run of any length takes the memory of one step; nil
// leaves them out. Captured is null where they are no longer kept. An error of theirs is returned as it is.
func JSONWithCaptures(w io.Writer, in Input, captures Captures) error {
	b := bufio.NewWriterSize(w, 1<<16)
	put := func(before string, v any) error {
		text, err := json.Marshal(v)
		if err != nil {
			return err
		}
		b.WriteString(before)
		_, err = b.Write(text)
		return err
	}
	if err := put(`{"run": `, in.jsonRun()); err != nil {
		return err
	}
	if err := put(",\n\"summary\": ", in.jsonSummary()); err != nil {
		return err
	}
	if in.referred() && !in.calibrates() {
		if err := put(",\n\"transmission\": ", in.jsonArms()); err != nil {
			return err
		}
	}
	if in.Swapped != nil {
		if err := put(",\n\"swapped\": ", in.Swapped.json()); err != nil {
			return err
		}
	}
	if in.Winding != nil {
		if err := put(",\n\"choke\": ", in.Winding.json()); err != nil {
			return err
		}
	}
	if len(in.Budgets) > 0 {
		if err := put(",\n\"budgets\": ", in.jsonBudgets()); err != nil {
			return err
		}
	}
	if in.Linearity != nil && in.Linearity.Verdict != linearity.NotTaken {
		if err := put(",\n\"linearity\": ", in.Linearity.json()); err != nil {
			return err
		}
	}
	if in.Proof != nil {
		if err := put(",\n\"fixture\": ", in.jsonProof()); err != nil {
			return err
		}
	}
	b.WriteString(",\n\"steps\": [")
	separator := "\n"
	var line []byte
	for i := range in.Steps {
		text, err := json.Marshal(in.jsonStep(&in.Steps[i]))
		if err != nil {
			return err
		}
		b.WriteString(separator)
		separator = ",\n"
		if captures == nil {
			b.Write(text)
			continue
		}
		taken, err := captures(in.Steps[i].Index)
		if err != nil {
			return err
		}
		b.Write(text[:len(text)-1]) // its closing brace comes after the captures
		b.WriteString(",\"captured\":")
		line = writeCaptures(b, taken, line)
		if _, err := b.WriteString("}"); err != nil {
			return err
		}
	}
	b.WriteString("\n]}\n")
	return b.Flush()
}

func (in *Input) jsonRun() jsonRun {
	r := jsonRun{
		ID: in.Run.ID, Kind: in.Run.Kind, Label: in.Run.Label, State: in.Run.State, Reason: in.Run.Reason,
		Started: jsonTime(in.Run.Started), Finished: jsonTime(in.Run.Finished),
		Verdict: jsonVerdict(in.Summary.Verdict),
		Bench:   in.Bench.Name, Limits: in.Limits.Name, Rule: in.Rule, Version: in.Run.Version,
	}
	if in.Calibration != nil {
		r.Calibration = &in.Calibration.ID
	}
	return r
}

func (in *Input) jsonSummary() jsonSummary {
	s := jsonSummary{Worst: map[string]jsonWorst{}, Steps: in.Summary.Steps, NotMeasurable: in.Summary.NotMeasurable}
	from, to := in.Summary.From, in.Summary.To
	if to <= 0 {
		from, to = in.swept()
	}
	if to > 0 {
		s.Band = &[2]figure{figure(from), figure(to)}
	}
	if in.Summary.PassTo > 0 {
		s.PassFrom, s.PassTo = known(float64(in.Summary.PassFrom)), known(float64(in.Summary.PassTo))
	}
	if c := in.Summary.LeastProbable; c.Quantity != "" && !in.calibrates() {
		s.Probability = &jsonProbability{figure(c.Probability), c.Quantity, figure(c.Frequency)}
	}
	for _, q := range in.quantities() {
		var worst jsonWorst
		if i := q.worstIn(in); i >= 0 {
			r, _ := q.at(&in.Steps[i])
			worst.Frequency = known(float64(in.Steps[i].Point.Frequency))
			worst.Value, worst.U, worst.Low = q.jsonReading(r, true)
		}
		s.Worst[q.key] = worst
	}
	if !in.calibrates() && insertionLoss.worstIn(in) >= 0 {
		s.Flatness, s.UFlatness = known(float64(in.Summary.Flatness)), known(float64(in.Summary.UFlatness))
	}
	return s
}

// jsonReading is the value, its uncertainty and its assured bound, each nil
// where it is not known.
func (q quantity) jsonReading(r reading, ok bool) (v, u, low *figure) {
	if !ok {
		return nil, nil, nil
	}
	if !r.bounded {
		v = known(r.v)
	}
	if q.bound < 0 {
		return v, nil, known(r.lo)
	}
	return v, known(r.u), nil
}

func (in *Input) jsonStep(s *Step) jsonStep {
	j := jsonStep{
		Index: s.Index, Frequency: figure(s.Point.Frequency), Drive: figure(s.Point.Drive),
		Range:    [2]figure{figure(s.Point.Range[0]), figure(s.Point.Range[1])},
		Captures: s.Point.Captures, Acquisitions: s.Acquisitions,
		Fill:    [2]figure{figure(s.Fill[0]), figure(s.Fill[1])},
		Verdict: jsonVerdict(s.verdict()), Remark: s.remark(),
	}
	ratio := s.Result.Ratio
	if in.calibrates() {
		ratio = s.Point.Ratio
	}
	if s.Measured {
		j.RatioRe, j.RatioIm = known(real(ratio)), known(imag(ratio))
	}
	j.Transmission, j.Reference = s.jsonTransmissions(), s.jsonReference()
	at := func(q quantity) (v, u, low *figure) {
		r, ok := q.at(s)
		return q.jsonReading(r, ok)
	}
	if in.calibrates() {
		j.GainMismatch, j.UGainMismatch, _ = at(gainMismatch)
		j.PhaseDifference, j.UPhaseDifference, _ = at(phaseDifference)
	} else {
		j.AmplitudeBalance, j.UAmplitudeBalance, _ = at(amplitudeBalance)
		j.PhaseBalance, j.UPhaseBalance, _ = at(phaseBalance)
		j.CommonModeRejection, _, j.CommonModeRejectionLow = at(commonModeRejection)
		j.InsertionLoss, j.UInsertionLoss, _ = at(insertionLoss)
	}
	if t := s.Truth; t != nil {
		j.Exact = &jsonExact{
			RatioRe: figure(real(t.Ratio)), RatioIm: figure(imag(t.Ratio)),
			AmplitudeBalance: figure(t.AmplitudeBalance), PhaseBalance: figure(t.PhaseBalance),
			CommonModeRejection: figure(t.CommonModeRejection), InsertionLoss: figure(t.InsertionLoss),
		}
		if s.Result.Referred {
			for _, z := range t.Transmission {
				j.Exact.Transmission = append(j.Exact.Transmission, [2]figure{figure(real(z)), figure(imag(z))})
			}
		}
	}
	return j
}

// verdict of the step; a step without an arm ratio is not measurable.
func (s *Step) verdict() conformity.Verdict {
	if !s.Measured {
		return conformity.NotMeasurable
	}
	return s.Decision.Verdict
}

// remark is why there is no ratio, or what else to know about the step.
func (s *Step) remark() string {
	if s.Remark != "" || !s.Measured {
		return s.Remark
	}
	var remarks []string
	if s.Result.RangesDiffer {
		remarks = append(remarks, "not on the calibration's range; the uncertainty includes the gain of the other")
	}
	if s.Result.AttenuatorsDiffer {
		remarks = append(remarks, "not in the calibration's position of the generator's attenuator; the uncertainty of insertion loss includes its step")
	}
	return strings.Join(remarks, "; ")
}

func known(v float64) *figure {
	if !finite(v) {
		return nil
	}
	f := figure(v)
	return &f
}

func jsonTime(t time.Time) *string {
	if t.IsZero() {
		return nil
	}
	s := t.Format(time.RFC3339Nano)
	return &s
}

// jsonVerdict is null where no limit applies.
func jsonVerdict(v conformity.Verdict) *string {
	if v == conformity.NotLimited {
		return nil
	}
	s := string(v)
	return &s
}
