package report

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"sort"
	"strconv"
	"strings"

	"halfturn/analysis/balance"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// Budget is what makes up the uncertainty of one step.
type Budget struct {
	Step       int // position in Input.Steps
	Shares     balance.Shares
	Simulation *balance.Simulation // by the Monte Carlo method, where asked for
}

// budgetOf is how the report writes the budget of a quantity.
type budgetOf struct {
	quantity
	shares    func(*balance.Shares) []balance.Share
	unit      string // of a share's standard uncertainty
	simulated func(*balance.Simulation) uncertainty.Distributed
}

// The budget of a rejection is that of the imbalance, its inverse, whose
// uncertainty is symmetric.
var budgets = [...]budgetOf{
	{phaseBalance, func(s *balance.Shares) []balance.Share { return s.PhaseBalance }, "°",
		func(s *balance.Simulation) uncertainty.Distributed { return s.PhaseBalance }},
	{amplitudeBalance, func(s *balance.Shares) []balance.Share { return s.AmplitudeBalance }, " dB",
		func(s *balance.Simulation) uncertainty.Distributed { return s.AmplitudeBalance }},
	{commonModeRejection, func(s *balance.Shares) []balance.Share { return s.Imbalance }, "",
		func(s *balance.Simulation) uncertainty.Distributed { return s.Imbalance }},
	{insertionLoss, func(s *balance.Shares) []balance.Share { return s.InsertionLoss }, " dB",
		func(s *balance.Simulation) uncertainty.Distributed { return s.InsertionLoss }},
}

// ofArms are the budgets that a phase reference adds, shown where a budget is
// asked for.
var ofArms = [...]budgetOf{
	{gains[0], func(s *balance.Shares) []balance.Share { return s.Gain[0] }, " dB", nil},
	{phases[0], func(s *balance.Shares) []balance.Share { return s.Phase[0] }, "°", nil},
	{gains[1], func(s *balance.Shares) []balance.Share { return s.Gain[1] }, " dB", nil},
	{phases[1], func(s *balance.Shares) []balance.Share { return s.Phase[1] }, "°", nil},
}

// budgets are all of the run.
func (in *Input) budgets() []budgetOf {
	if in.referred() {
		return append(budgets[:len(budgets):len(budgets)], ofArms[:]...)
	}
	return budgets[:]
}

// noLevel says why some entries have no share.
const noLevel = "the phase reference measures the drive: level linearity, level repeatability and attenuator step have no part in any figure"

// budgetAt is the budget of the step at a position; nil where there is none.
func (in *Input) budgetAt(step int) *Budget {
	for i := range in.Budgets {
		if in.Budgets[i].Step == step {
			return &in.Budgets[i]
		}
	}
	return nil
}

// WorstSteps are the positions of the steps at which a quantity is worst, each
// once: those that a report shows the budget of.
func (in *Input) WorstSteps() []int {
	var list []int
	seen := map[int]bool{}
	for i := range budgets {
		if at := budgets[i].worstIn(in); at >= 0 && !seen[at] {
			seen[at] = true
			list = append(list, at)
		}
	}
	return list
}

// NearestStep is the position of the measured step nearest to f, on the
// logarithmic scale; -1 without any.
func (in *Input) NearestStep(f units.Hertz) int {
	best, least := -1, math.Inf(1)
	for i := range in.Steps {
		s := &in.Steps[i]
		if d := math.Abs(math.Log(float64(s.Point.Frequency / f))); s.Measured && d < least {
			best, least = i, d
		}
	}
	return best
}

// heading names the quantity, its value and where it is.
func (q *budgetOf) heading(in *Input, step int) string {
	s := &in.Steps[step]
	h := headingCase(q.name) + " at " + in.frequency(s.Point.Frequency) + ": " + q.textAt(s)
	if q.bound < 0 && s.Measured {
		h += fmt.Sprintf(" (as imbalance %s)", withU(s.Result.Imbalance, s.Result.UImbalance, ""))
	}
	return h
}

// rows are the shares, largest first: name, standard uncertainty, part of the
// variance. What makes less than a thousandth is put together.
func (q *budgetOf) rows(shares []balance.Share) [][]string {
	var rows [][]string
	rest, others := 0.0, 0
	for _, s := range shares {
		if s.Part < 1e-3 {
			rest += s.Standard * s.Standard
			others++
			continue
		}
		rows = append(rows, []string{title(s.Name), significant(s.Standard) + q.unit, percent(s.Part)})
	}
	if others > 0 {
		rows = append(rows, []string{"all others, " + strconv.Itoa(others), significant(math.Sqrt(rest)) + q.unit, "below 0.1 % each"})
	}
	return rows
}

// title writes the name of an entry in words.
func title(n uncertainty.Name) string { return strings.ReplaceAll(string(n), "_", " ") }

// significant writes a standard uncertainty with two significant digits
// (JCGM 100:2008, 7.2.6).
func significant(u float64) string {
	switch {
	case !finite(u):
		return notMeasurable
	case u == 0:
		return "0"
	}
	if p := 1 - int(math.Floor(math.Log10(u))); p <= 6 {
		return rounded(u, max(0, p))
	}
	return strconv.FormatFloat(u, 'g', 2, 64)
}

// simulation writes what the Monte Carlo method gives for the quantity.
func (q *budgetOf) simulation(s *balance.Simulation) string {
	d := q.simulated(s)
	p := places(2 * d.Standard)
	if q.bound < 0 && d.Standard > 0 {
		p = min(1-int(math.Floor(math.Log10(2*d.Standard))), 8)
	}
	name := ""
	if q.bound < 0 {
		name = "imbalance "
	}
	text := fmt.Sprintf("%s%s%s, 95 %% interval %s%s to %s%s", name, rounded(d.Mean, p), q.unit, rounded(d.Low, p), q.unit, rounded(d.High, p), q.unit)
	if q.bound < 0 && finite(float64(s.CommonModeRejectionLow)) {
		text += "; rejection at least " + rounded(math.Floor(float64(s.CommonModeRejectionLow)*100)/100, 2) + " dB (95 %, one-sided)"
	}
	return text
}

func trials(s *balance.Simulation) string {
	text := fmt.Sprintf("Monte Carlo (JCGM 101:2008), %d trials", s.Trials)
	if !s.Stable {
		text += ", not stable to the digits wanted"
	}
	return text
}

// BudgetText writes the budget of one step for a terminal: of each quantity
// the errors, the largest share first.
func BudgetText(w io.Writer, in Input, b Budget) error {
	out := bufio.NewWriter(w)
	s := &in.Steps[b.Step]
	fmt.Fprintf(out, "\nUncertainty budget of step %d at %s\n", s.Index, in.frequency(s.Point.Frequency))
	all := in.budgets()
	for i := range all {
		q := &all[i]
		shares := q.shares(&b.Shares)
		if len(shares) == 0 {
			continue
		}
		fmt.Fprintf(out, "\n  %s\n", q.heading(&in, b.Step))
		rows := [][]string{{"standard u", "share", "from", ""}}
		for _, r := range q.rows(shares) {
			rows = append(rows, []string{r[1], r[2], r[0], ""})
		}
		for k, share := range shares {
			if k+1 < len(rows) && share.Part >= 1e-3 {
				rows[k+1][3] = share.Name.Meaning()
			}
		}
		writeColumns(out, "    ", rows, []bool{true, true})
		if b.Simulation != nil && q.simulated != nil {
			fmt.Fprintf(out, "    %s: %s\n", trials(b.Simulation), q.simulation(b.Simulation))
		}
	}
	if in.referred() {
		fmt.Fprintf(out, "\n  %s\n", noLevel)
	}
	return out.Flush()
}

func (in *Input) budgetSection() *section {
	if len(in.Budgets) == 0 {
		return nil
	}
	s := &section{heading: "Uncertainty budget"}
	s.lead = []string{"What makes up the uncertainty at the worst step of each quantity, largest share first."}
	for i := range budgets {
		q := &budgets[i]
		at := q.worstIn(in)
		if b := in.budgetAt(at); at >= 0 && b != nil {
			s.tables = append(s.tables, q.table(in, b))
		}
	}
	for i := range in.Budgets {
		b := &in.Budgets[i]
		if !b.asked(in) {
			continue
		}
		all := in.budgets()
		for k := range all {
			s.tables = append(s.tables, all[k].table(in, b))
		}
	}
	if len(s.tables) == 0 {
		return nil
	}
	s.tables = append(s.tables, in.entriesTable())
	s.notes = []string{"A share is the part of the variance (JCGM 100:2008, 5.1.3); standard uncertainties are k = 1. “halfturn show RUN --budget FREQUENCY” prints the budget at another frequency, and with “--monte-carlo” intervals after JCGM 101:2008."}
	if in.referred() {
		s.notes = append(s.notes, headingCase(noLevel)+".")
	}
	return s
}

// asked says whether the budget is of a step that is no quantity's worst.
func (b *Budget) asked(in *Input) bool {
	for i := range budgets {
		if budgets[i].worstIn(in) == b.Step {
			return false
		}
	}
	return true
}

func (q *budgetOf) table(in *Input, b *Budget) grid {
	g := grid{Caption: q.heading(in, b.Step), Head: []string{"From", "Standard u", "Share"}, Left: []bool{true}}
	g.Rows = q.rows(q.shares(&b.Shares))
	if b.Simulation != nil && q.simulated != nil {
		g.Caption += ". " + trials(b.Simulation) + ": " + q.simulation(b.Simulation)
	}
	return g
}

// entriesTable lists where the entries come from.
func (in *Input) entriesTable() grid {
	g := grid{
		Caption: "Entries of the budget besides the noise of both runs, which is found in the captures.",
		Head:    []string{"Entry", "Value", "What it is", "Source"},
		Left:    []bool{true, true, true, true},
		Wide:    true,
	}
	entries := append(uncertainty.Budget(nil), in.Entries...)
	sort.SliceStable(entries, func(a, b int) bool { return entries[a].Source == fromBench && entries[b].Source != fromBench })
	for i := range entries {
		e := &entries[i]
		g.Rows = append(g.Rows, []string{title(e.Name), e.Text(), e.Name.Meaning(), e.Source})
	}
	return g
}

// fromBench is the source of an entry that the bench file states.
const fromBench = "bench file"

type jsonBudget struct {
	Step       int                    `json:"step"`
	Frequency  figure                 `json:"frequency_hz"`
	Shares     map[string][]jsonShare `json:"shares"`
	Simulation *jsonSimulation        `json:"monte_carlo,omitempty"`
}

type jsonShare struct {
	Name     string `json:"name"`
	Standard figure `json:"standard"`
	Part     figure `json:"part"`
}

type jsonSimulation struct {
	Trials    int                      `json:"trials"`
	Stable    bool                     `json:"stable"`
	Intervals map[string]jsonSimulated `json:"intervals"`
	Low       *figure                  `json:"common_mode_rejection_low_db"`
}

type jsonSimulated struct {
	Mean     *figure `json:"mean"`
	Standard *figure `json:"standard"`
	Low      *figure `json:"low"`
	High     *figure `json:"high"`
}

// jsonKey is the quantity's key, imbalance where the budget is of that.
func (q *budgetOf) jsonKey() string {
	if q.bound < 0 {
		return "imbalance"
	}
	return q.key
}

func (in *Input) jsonBudgets() []jsonBudget {
	var list []jsonBudget
	for i := range in.Budgets {
		b := &in.Budgets[i]
		s := &in.Steps[b.Step]
		j := jsonBudget{Step: s.Index, Frequency: figure(s.Point.Frequency), Shares: map[string][]jsonShare{}}
		if b.Simulation != nil {
			j.Simulation = &jsonSimulation{
				Trials: b.Simulation.Trials, Stable: b.Simulation.Stable,
				Intervals: map[string]jsonSimulated{}, Low: known(float64(b.Simulation.CommonModeRejectionLow)),
			}
		}
		all := in.budgets()
		for k := range all {
			q := &all[k]
			shares := []jsonShare{}
			for _, share := range q.shares(&b.Shares) {
				shares = append(shares, jsonShare{string(share.Name), figure(share.Standard), figure(share.Part)})
			}
			j.Shares[q.jsonKey()] = shares
			if b.Simulation != nil && q.simulated != nil {
				d := q.simulated(b.Simulation)
				j.Simulation.Intervals[q.jsonKey()] = jsonSimulated{known(d.Mean), known(d.Standard), known(d.Low), known(d.High)}
			}
		}
		list = append(list, j)
	}
	return list
}
