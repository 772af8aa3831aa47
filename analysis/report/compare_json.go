package report

import (
	"bufio"
	"encoding/json"
	"io"

	"halfturn/analysis/balance"
	"halfturn/analysis/compare"
)

type jsonCompared struct {
	Verdict *string           `json:"verdict"` // null for a series
	Runs    []jsonComparedRun `json:"runs"`    // the baseline first
	Summary any               `json:"summary"`
	Steps   []map[string]any  `json:"steps"`
}

type jsonComparedRun struct {
	ID          int64   `json:"id"`
	Baseline    string  `json:"baseline,omitempty"`
	Label       string  `json:"label"`
	Started     *string `json:"started"`
	State       string  `json:"state"`
	Calibration int64   `json:"calibration"`
}

type jsonComparedSummary struct {
	Band              [2]figure      `json:"band_hz"`
	Steps             int            `json:"steps"`
	PassedOver        int            `json:"passed_over"`
	SharedCalibration bool           `json:"shared_calibration"`
	Refit             *figure        `json:"refit_db"` // null: by the budget
	Quantities        map[string]any `json:"quantities"`
	Notes             []string       `json:"notes,omitempty"`
}

type jsonChangeBand struct {
	Verdict   string  `json:"verdict"`
	Compared  int     `json:"compared"`
	Exceeding int     `json:"exceeding"`
	ByChance  figure  `json:"expected_by_chance"`
	Better    int     `json:"better"`
	Worse     int     `json:"worse"`
	Aside     int     `json:"changed_past_ideal"`
	Whole     string  `json:"whole"`
	Mean      *figure `json:"mean_difference"`
	LargestAt *figure `json:"largest_hz"`
	Largest   *figure `json:"largest_difference"`
	ULargest  *figure `json:"u_largest_difference"`
}

type jsonSpreadBand struct {
	Compared    int     `json:"compared"`
	Exceeds     bool    `json:"exceeds_uncertainty"`
	Ratio       *figure `json:"ratio_to_explained"`
	LargestAt   *figure `json:"largest_hz"`
	Largest     *figure `json:"largest_sd"`
	Drifting    int     `json:"drifting"`
	DriftAt     *figure `json:"largest_drift_hz"`
	LargestRate *figure `json:"largest_drift_per_hour"`
	URate       *figure `json:"u_largest_drift_per_hour"`
}

// CompareJSON writes {"verdict": …, "runs": [ … ], "summary": …, "steps":
// [ … ]}. Differences are run minus baseline in the unit of the key they stand
// below; u_ is the expanded uncertainty, k = 2. What is not measurable is null.
func CompareJSON(w io.Writer, c Compared) error {
	v := newComparison(&c)
	out := jsonCompared{Steps: []map[string]any{}}
	for i := range c.Runs {
		r := &c.Runs[i]
		j := jsonComparedRun{ID: r.ID, Label: r.Label, Started: jsonTime(r.Started), State: r.State, Calibration: r.Calibration}
		if i == 0 {
			j.Baseline = c.BaselineName
		}
		out.Runs = append(out.Runs, j)
	}
	s := jsonComparedSummary{Quantities: map[string]any{}, Steps: v.steps(), Notes: v.notes()}
	if refit := c.Options.Refit; refit != nil {
		s.Refit = known(float64(*refit))
	}
	if c.Pair != nil {
		verdict := string(c.Pair.Verdict)
		out.Verdict = &verdict
		s.Band = [2]figure{figure(c.Pair.From), figure(c.Pair.To)}
		s.PassedOver, s.SharedCalibration = c.Pair.PassedOver, c.Pair.Shared
		v.pairJSON(&s, &out)
	} else {
		s.Band = [2]figure{figure(c.Series.From), figure(c.Series.To)}
		s.PassedOver, s.SharedCalibration = c.Series.PassedOver, c.Series.Shared
		v.seriesJSON(&s, &out)
	}
	out.Summary = s
	b := bufio.NewWriter(w)
	encoder := json.NewEncoder(b)
	encoder.SetIndent("", " ")
	if err := encoder.Encode(out); err != nil {
		return err
	}
	return b.Flush()
}

func (v *comparison) pairJSON(s *jsonComparedSummary, out *jsonCompared) {
	steps := v.Pair.Steps
	for _, q := range comparedQuantities {
		b := &v.Pair.Band[q.Quantity]
		j := jsonChangeBand{
			Verdict: string(b.Verdict), Compared: b.Compared, Exceeding: b.Exceeding, ByChance: figure(b.ByChance),
			Better: b.Better, Worse: b.Worse, Aside: b.Aside, Whole: string(b.WholeVerdict),
		}
		if b.Largest >= 0 {
			l := steps[b.Largest].Changes[q.Quantity]
			j.Mean, j.LargestAt = known(b.Mean), known(float64(steps[b.Largest].Frequency))
			j.Largest, j.ULargest = known(l.Difference), known(l.U)
		}
		s.Quantities[q.key] = j
	}
	for i := range steps {
		row := map[string]any{"frequency_hz": figure(steps[i].Frequency), "between": steps[i].Between}
		for _, q := range comparedQuantities {
			row[q.key] = ofRuns(q, steps[i].Results[:])
			c := steps[i].Changes[q.Quantity]
			change := map[string]any{"difference": (*figure)(nil), "u_difference": (*figure)(nil), "exceeds": c.Exceeds, "toward": nil}
			if c.Measured {
				change["difference"], change["u_difference"], change["toward"] = known(c.Difference), known(c.U), string(c.Toward)
			}
			row["change_"+q.key] = change
		}
		out.Steps = append(out.Steps, row)
	}
}

func (v *comparison) seriesJSON(s *jsonComparedSummary, out *jsonCompared) {
	steps := v.Series.Steps
	for _, q := range comparedQuantities {
		b := &v.Series.Band[q.Quantity]
		j := jsonSpreadBand{Compared: b.Compared, Exceeds: b.Exceeds, Drifting: b.Drifting}
		if b.Largest >= 0 {
			j.Ratio, j.LargestAt = known(b.Ratio), known(float64(steps[b.Largest].Frequency))
			j.Largest = known(steps[b.Largest].Spread[q.Quantity].SD)
		}
		if b.LargestDrift >= 0 {
			l := steps[b.LargestDrift].Spread[q.Quantity]
			j.DriftAt, j.LargestRate, j.URate = known(float64(steps[b.LargestDrift].Frequency)), known(l.Slope), known(l.USlope)
		}
		s.Quantities[q.key] = j
	}
	for i := range steps {
		row := map[string]any{"frequency_hz": figure(steps[i].Frequency)}
		for _, q := range comparedQuantities {
			row[q.key] = ofRuns(q, steps[i].Results)
			row["spread_"+q.key] = spreadJSON(steps[i].Spread[q.Quantity])
		}
		out.Steps = append(out.Steps, row)
	}
}

func spreadJSON(c compare.Scatter) map[string]any {
	j := map[string]any{"mean": nil, "sd": nil, "explained_sd": nil, "drift_per_hour": nil, "u_drift_per_hour": nil, "drifts": c.Drifts}
	if c.Measured {
		j["mean"], j["sd"], j["explained_sd"] = known(c.Mean), known(c.SD), known(c.Explained)
		j["drift_per_hour"], j["u_drift_per_hour"] = known(c.Slope), known(c.USlope)
	}
	return j
}

// ofRuns is a quantity of each run.
func ofRuns(q comparedQuantity, results []balance.Result) []*figure {
	list := make([]*figure, len(results))
	for i := range results {
		list[i] = known(q.Of(&results[i]))
	}
	return list
}
