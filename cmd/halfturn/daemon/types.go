package daemon

import (
	"math"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/sweep"
	"halfturn/sweep/queue"
)

// What the API shows. Quantities have their unit in the key; u_ is the
// expanded uncertainty, k = 2.
type (
	// Bench is how the bench stands.
	Bench struct {
		Name      string     `json:"name"`
		Fixture   string     `json:"fixture"`
		State     BenchState `json:"state"`
		RF        RF         `json:"rf"`
		Warning   string     `json:"warning,omitempty"` // why RF may be on, or what a person should see to
		Fitted    queue.Fit  `json:"fitted"`
		Job       *queue.Job `json:"job"`     // whose turn it is; null for none
		Measuring *Progress  `json:"running"` // null while nothing is measured
		Generator Instrument `json:"generator"`
		Scope     Instrument `json:"scope"`
		Timing    *Timing    `json:"timing"` // of the run that is being carried out, or was last; null before the first step
		Config    ConfigFile `json:"config"`
		Store     StoreSpace `json:"store"`
		Queue     int        `json:"queue"` // open jobs
		Program   string     `json:"program"`
		Started   time.Time  `json:"started"`
	}

	// BenchState is one word for what goes on.
	BenchState string

	// RF is what is known of the generator's output.
	RF string

	// Instrument is one of the two as last heard of.
	Instrument struct {
		Address  string    `json:"address"`
		Identity string    `json:"identity,omitempty"`
		Heard    time.Time `json:"heard,omitzero"` // when it last answered
		Error    string    `json:"error,omitempty"`
		Failures int       `json:"failures"` // of exchanges since the daemon began
	}

	// Progress is the run that is being carried out.
	Progress struct {
		Run     int64      `json:"run"`
		Job     int64      `json:"job"`
		Kind    sweep.Kind `json:"kind"`
		Label   string     `json:"label,omitempty"`
		Taken   int        `json:"taken"` // steps
		Total   int        `json:"total"` // 0 until the first step
		Started time.Time  `json:"started"`
		Left    float64    `json:"left_s"` // seconds, as the last steps went; 0 where nothing can be told
		Last    *Step      `json:"last"`   // null before the first
	}

	// Timing is where the time of a run's steps went: means over those that this
	// daemon took, in seconds. The five parts add up to a step.
	Timing struct {
		Run        int64   `json:"run"`
		Steps      int     `json:"steps"`
		Instrument float64 `json:"instrument_s"` // setting, settling, acquiring, error queues
		Transfer   float64 `json:"transfer_s"`   // reading records
		Computing  float64 `json:"computing_s"`
		Commit     float64 `json:"commit_s"`  // waiting for the step before to be stored
		Backoff    float64 `json:"backoff_s"` // waiting before another try
		Step       float64 `json:"step_s"`
		Added      float64 `json:"added_s"` // by the daemon: computing and commit
		Retries    int     `json:"retries"` // of all steps
	}

	// ConfigFile is the bench file.
	ConfigFile struct {
		File    string    `json:"file"`
		Read    time.Time `json:"read,omitzero"`     // when what is in force was read
		Changed bool      `json:"changed"`           // since then
		Problem string    `json:"problem,omitempty"` // why the change is not in force
	}

	// StoreSpace is where runs are kept and what is left there.
	StoreSpace struct {
		Path string `json:"path"`
		Left int64  `json:"left_bytes"` // -1 where nobody can tell
	}

	// Run is a stored run.
	Run struct {
		ID          int64              `json:"id"`
		Kind        sweep.Kind         `json:"kind"`
		Label       string             `json:"label"`
		Started     time.Time          `json:"started"`
		Finished    time.Time          `json:"finished,omitzero"`
		State       sweep.State        `json:"state"`
		Reason      string             `json:"reason,omitempty"`
		Verdict     conformity.Verdict `json:"verdict"`
		Calibration int64              `json:"calibration,omitempty"`
		Straight    int64              `json:"straight,omitempty"`
		Sleeves     int                `json:"sleeves,omitempty"`
		Bench       string             `json:"bench"`
		Fixture     string             `json:"fixture"`
		From        float64            `json:"from_hz"`
		To          float64            `json:"to_hz"`
		Planned     int                `json:"planned"` // steps
		Version     string             `json:"version"`
	}

	// Runs is a page of runs, the newest first.
	Runs struct {
		Runs   []Run `json:"runs"`
		Before int64 `json:"before,omitempty"` // ask with this for the next page; 0 for none
	}

	// Step is one step with what the analysis makes of it; null is what there
	// is none of.
	Step struct {
		Run          int64              `json:"run"`
		Index        int                `json:"index"`
		Taken        time.Time          `json:"taken"`
		Frequency    float64            `json:"frequency_hz"`
		Drive        float64            `json:"drive_dbm"`
		Range        [2]float64         `json:"range_vpp"`
		Fill         [2]float64         `json:"fill"`
		Captures     int                `json:"captures"`
		Acquisitions int                `json:"acquisitions"`
		RatioRe      *float64           `json:"ratio_re"`
		RatioIm      *float64           `json:"ratio_im"`
		Amplitude    *float64           `json:"amplitude_balance_db"`
		UAmplitude   *float64           `json:"u_amplitude_balance_db"`
		Phase        *float64           `json:"phase_balance_deg"`
		UPhase       *float64           `json:"u_phase_balance_deg"`
		Rejection    *float64           `json:"common_mode_rejection_db"`
		RejectionLow *float64           `json:"common_mode_rejection_low_db"` // one-sided, 95 %
		Loss         *float64           `json:"insertion_loss_db"`
		ULoss        *float64           `json:"u_insertion_loss_db"`
		Verdict      conformity.Verdict `json:"verdict"`
		Remark       string             `json:"remark,omitempty"` // why there is no result
	}

	// Steps is those of a run, in order.
	Steps struct {
		Run   int64  `json:"run"`
		State string `json:"state"`
		Total int    `json:"total"`
		Steps []Step `json:"steps"`
	}

	// Jobs is every job that is kept, the oldest first.
	Jobs struct {
		Jobs []queue.Job `json:"jobs"`
	}

	// Answer says that what a job asked for is done.
	Answer struct {
		Ready bool `json:"ready"`
	}

	// Schedules is the timetable.
	Schedules struct {
		Schedules []queue.Firing `json:"schedules"`
	}

	// Log is the last lines of the log, the oldest first.
	Log struct {
		Lines []LogLine `json:"lines"`
	}

	// LogLine is one of them.
	LogLine struct {
		Time    time.Time      `json:"time"`
		Level   string         `json:"level"`
		Message string         `json:"message"`
		Fields  map[string]any `json:"fields,omitempty"`
	}

	// Problem is an error as RFC 9457 has it.
	Problem struct {
		Type   string `json:"type"`
		Title  string `json:"title"`
		Status int    `json:"status"`
		Detail string `json:"detail,omitempty"`
	}
)

// What the bench does.
const (
	Idle      BenchState = "idle"
	Measuring BenchState = "measuring"
	Asking    BenchState = "asking"
	Waiting   BenchState = "waiting" // for another try or the next repeat
	Unsafe    BenchState = "unsafe"  // RF may be on though nothing is measured
)

// What RF is.
const (
	RFOff     RF = "off"
	RFOn      RF = "on" // a run is being carried out
	RFUnknown RF = "unknown"
)

func viewRun(r *sweep.Run) Run {
	v := Run{
		ID: r.ID, Kind: r.Kind, Label: r.Label, Started: r.Started, Finished: r.Finished, State: r.State, Reason: r.Reason,
		Verdict: r.Verdict, Calibration: r.Calibration, Straight: r.Straight, Sleeves: r.Sleeves,
		Bench: r.Bench.Name, Fixture: r.Bench.Fixture, Planned: r.Plan.Steps(), Version: r.Version,
	}
	for i, s := range r.Plan.Segments {
		if from := float64(s.From); i == 0 || from < v.From {
			v.From = from
		}
		v.To = max(v.To, float64(s.To))
	}
	return v
}

func viewStep(run *sweep.Run, s *sweep.Step, result *balance.Result, decision *conformity.Decision, remark string) Step {
	v := Step{
		Run: run.ID, Index: s.Index, Taken: s.Taken, Frequency: float64(s.Estimate.Frequency), Drive: float64(s.Drive),
		Range: [2]float64{float64(s.Range[0]), float64(s.Range[1])}, Fill: s.Fill, Captures: s.Estimate.Captures, Acquisitions: s.Acquisitions,
		Verdict: decision.Verdict, Remark: remark,
	}
	if remark != "" {
		return v
	}
	v.RatioRe, v.RatioIm = number(real(result.Ratio)), number(imag(result.Ratio))
	v.Amplitude, v.UAmplitude = number(float64(result.AmplitudeBalance)), number(float64(result.UAmplitudeBalance))
	v.Phase, v.UPhase = number(float64(result.PhaseBalance)), number(float64(result.UPhaseBalance))
	if run.Kind == sweep.Calibration {
		return v
	}
	v.Rejection, v.RejectionLow = number(float64(result.CommonModeRejection)), number(float64(result.CommonModeRejectionLow))
	v.Loss, v.ULoss = number(float64(result.InsertionLoss)), number(float64(result.UInsertionLoss))
	return v
}

func viewTiming(run int64, steps int, t *sweep.Timing) *Timing {
	mean := func(d time.Duration) float64 { return d.Seconds() / float64(steps) }
	return &Timing{
		Run: run, Steps: steps, Instrument: mean(t.Instruments), Transfer: mean(t.Transfer), Computing: mean(t.Computing),
		Commit: mean(t.Commit), Backoff: mean(t.Backoff), Step: mean(t.Whole()), Added: mean(t.Added()), Retries: t.Retries,
	}
}

// number is nil for what JSON has no number for: an infinite rejection.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}
