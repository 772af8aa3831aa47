package check

import (
	"encoding/json"
	"math"
)

// MarshalJSON writes a report as plain numbers with the unit in the key;
// null stands for a figure without a bound.
func (r *Report) MarshalJSON() ([]byte, error) {
	type point struct {
		Frequency             *float64 `json:"frequency_hz"`
		Drive                 *float64 `json:"drive_dbm"`
		Range                 *float64 `json:"range_vpp"`
		Captures              int      `json:"captures"`
		UAmplitudeBalance     *float64 `json:"u_amplitude_balance_db"`
		UPhaseBalance         *float64 `json:"u_phase_balance_deg"`
		NoiseAmplitudeBalance *float64 `json:"noise_amplitude_balance_db"`
		NoisePhaseBalance     *float64 `json:"noise_phase_balance_deg"`
		Rejection             *float64 `json:"rejection_db"`
		AmplitudeBalance      *float64 `json:"limit_amplitude_balance_db,omitempty"`
		PhaseBalance          *float64 `json:"limit_phase_balance_deg,omitempty"`
		LimitRejection        *float64 `json:"limit_rejection_db,omitempty"`
		Decides               bool     `json:"decides"`
	}
	type reach struct {
		From   *float64 `json:"from_hz"`
		To     *float64 `json:"to_hz"`
		Points []point  `json:"points"`
		Steps  int      `json:"steps"`
		Sweep  *float64 `json:"sweep_s"`
	}
	out := struct {
		Bench    string    `json:"bench"`
		Fixture  string    `json:"fixture"`
		Drive    *float64  `json:"drive_dbm"`
		MaxDrive *float64  `json:"max_drive_dbm"`
		Works    bool      `json:"works"`
		Findings []Finding `json:"findings"`
		Reach    *reach    `json:"reach,omitempty"`
	}{Bench: r.Bench, Fixture: r.Fixture, Drive: finite(r.Drive), MaxDrive: finite(r.MaxDrive), Works: r.Works, Findings: r.Findings}
	if c := r.Reach; c != nil {
		out.Reach = &reach{From: finite(c.From), To: finite(c.To), Points: []point{}, Steps: c.Steps, Sweep: finite(c.Sweep)}
		for _, p := range c.Points {
			out.Reach.Points = append(out.Reach.Points, point{
				finite(p.Frequency), finite(p.Drive), finite(p.Range), p.Captures,
				finite(p.UAmplitudeBalance), finite(p.UPhaseBalance), finite(p.NoiseAmplitudeBalance), finite(p.NoisePhaseBalance), finite(p.Rejection),
				given(p.Limits.AmplitudeBalance), given(p.Limits.PhaseBalance), given(p.Limits.Rejection), p.Decides,
			})
		}
	}
	return json.Marshal(out)
}

// finite is nil for what JSON has no number for.
func finite[Q ~float64](q Q) *float64 {
	v := float64(q)
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return nil
	}
	return &v
}

func given[Q ~float64](q *Q) *float64 {
	if q == nil {
		return nil
	}
	return finite(*q)
}
