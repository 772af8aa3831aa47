// Package level chooses how each step is taken: drive, range and window.
//
// It knows what the instruments can do and what the bench stands, remembers
// how large the signal was at the steps before, and predicts the next one, so
// that most steps are right at the first acquisition. It talks to no
// instrument; the executor of package sweep asks it, sets what it says, and
// tells it what came back.
//
// The rules: the larger arm's fill is aimed at Aim and accepted between Min
// and Max. A calibration takes the largest range that the aim can be reached
// on with Headroom of drive to spare, so that drive rises as the scope rolls
// off and the balun, which gives a smaller signal, can follow on the same
// range. A balun run keeps the range of its calibration, at each frequency,
// and fits the amplitude with drive, which is linear, so that the gain of the
// range cancels.
package level

import (
	"errors"
	"fmt"
	"math"

	"halfturn/drivers"
	"halfturn/units"
)

// Rules is what the plan, the bench and the instruments allow.
type Rules struct {
	Aim, Min, Max      float64  // of the larger arm's fill
	Headroom           units.DB // drive that a calibration leaves unused
	MinDrive, MaxDrive units.DBm
	DriveStep          units.DB            // 0 for none
	Limits             drivers.LevelLimits // of the drive over frequency, besides MaxDrive
	Attenuator         drivers.Attenuator  // of the generator; better not switched, see habits.go
	Ranges             []units.Volts
	Windows            []drivers.Window
	ClockTolerance     units.PPM
}

// Setting is how one step is taken. Both channels have the same range, since
// a balanced pair is equal and the larger arm decides.
type Setting struct {
	Drive  units.DBm
	Range  units.Volts // full scale peak to peak
	Window drivers.Window
}

// Precedent is how a calibration took a frequency; a balun run goes by it.
type Precedent struct {
	Drive     units.DBm
	Range     units.Volts
	Amplitude units.Volts // of the larger arm, peak
	Reference units.Volts // range of the phase reference's channel; 0 without one
}

// Planner predicts levels within one run. Its state is what Learn was told,
// so that learning the committed steps again after a kill restores it.
type Planner struct {
	rules Rules
	// past holds the last two steps: how they answered, less the calibration's
	// answer at the same frequency if there is one.
	past []answer
	// clipped holds the settings of the present step that clipped.
	clipped []Setting
	// most is the largest drive at the frequency of the present step.
	most units.DBm
	// last is the drive of the last step that Learn was told of.
	last   units.DBm
	lasted bool
}

type answer struct {
	logF float64
	gain gain
}

// gain is the larger arm's peak to peak volts against the drive, in dB: the
// drive in dBm at which it would be 1 V less that drive, negated.
type gain float64

func gainOf(peakToPeak units.Volts, drive units.DBm) gain {
	return gain(20*math.Log10(float64(peakToPeak)) - float64(drive))
}

// matched is the gain of an arm that sees the matched 50 Ω level; the first
// guess where nothing is known.
var matched = gainOf(units.Volts(2*math.Sqrt2)*units.DBm(0).VoltsRMS(), 0)

// New checks the rules. The error says which of them cannot be kept.
func New(r Rules) (*Planner, error) {
	switch {
	case !(0 < r.Min && r.Min < r.Aim && r.Aim < r.Max && r.Max < 1):
		return nil, fmt.Errorf("fill: min %g, aim %g, max %g must rise and lie between 0 and 1", r.Min, r.Aim, r.Max)
	case len(r.Ranges) == 0 || len(r.Windows) == 0:
		return nil, errors.New("the scope's dialect lists no range or no window")
	case !(r.MinDrive < r.MaxDrive):
		return nil, fmt.Errorf("no drive is allowed: the generator starts at %v and the bench ends at %v", r.MinDrive, r.MaxDrive)
	case !(r.Headroom >= 0) || float64(r.Headroom) >= float64(r.MaxDrive-r.MinDrive):
		return nil, fmt.Errorf("headroom %v leaves no drive between %v and %v", r.Headroom, r.MinDrive, r.MaxDrive)
	}
	if least := r.Limits.Least(); least < r.MinDrive {
		return nil, fmt.Errorf("no drive is allowed at some frequencies: the generator starts at %v and its limit there is %v", r.MinDrive, least)
	}
	return &Planner{rules: r, most: r.MaxDrive}, nil
}

// MaxDrive is the largest drive that a bench stands: the smallest of what the
// generator gives, what its user allows, what the balun stands, and what
// brings the source's open-circuit peak to the scope's input limit. The open
// circuit, twice the matched voltage, is the most that an unloaded arm can see
// without resonance.
func MaxDrive(ability, generator, balun units.DBm, inputLimit units.Volts) units.DBm {
	most := min(ability, generator, balun)
	if inputLimit > 0 {
		most = min(most, units.DBmOfVoltsRMS(inputLimit/(2*math.Sqrt2)))
	}
	return most
}

// Next is the setting for a step at f. cal is how the calibration took that
// frequency, nil in a calibration run.
func (p *Planner) Next(f units.Hertz, window drivers.Window, cal *Precedent) Setting {
	p.clipped = p.clipped[:0]
	p.most = min(p.rules.MaxDrive, p.rules.Limits.At(f))
	return p.choose(p.predict(f, cal), window, cal)
}

// Expected is the peak amplitude of the larger arm that the planner counts
// on at f with the given drive.
func (p *Planner) Expected(f units.Hertz, drive units.DBm, cal *Precedent) units.Volts {
	return units.Volts(math.Pow(10, (float64(p.predict(f, cal))+float64(drive))/20) / 2)
}

// Learn tells the planner how a step answered: the peak amplitude of the
// larger arm at the given drive. Zero amplitudes are passed over.
func (p *Planner) Learn(f units.Hertz, drive units.DBm, amplitude units.Volts, cal *Precedent) {
	if !(amplitude > 0) {
		return
	}
	p.last, p.lasted = drive, true
	a := answer{math.Log(float64(f)), gainOf(2*amplitude, drive) - cal.gain()}
	if len(p.past) == 2 {
		p.past[0] = p.past[1]
		p.past = p.past[:1]
	}
	p.past = append(p.past, a)
}

func (cal *Precedent) gain() gain {
	if cal == nil || !(cal.Amplitude > 0) {
		return 0
	}
	return gainOf(2*cal.Amplitude, cal.Drive)
}

// furthest bounds an extrapolation, so that one odd step cannot send the next
// one to a level that clips hard or drowns.
const furthest gain = 6

// predict extrapolates the last two answers in a straight line over log frequency.
func (p *Planner) predict(f units.Hertz, cal *Precedent) gain {
	var own gain
	switch len(p.past) {
	case 0:
		if cal == nil {
			return matched
		}
	case 1:
		own = p.past[0].gain
	default:
		a, b := p.past[0], p.past[1]
		slope := float64(b.gain-a.gain) / (b.logF - a.logF)
		change := gain(slope * (math.Log(float64(f)) - b.logF))
		if b.logF == a.logF {
			change = 0
		}
		own = b.gain + max(-furthest, min(change, furthest))
	}
	return own + cal.gain()
}

// choose turns a gain into drive and range, passing over ranges that clipped in
// this step though the signal fits them: noise or an offset is too large there.
func (p *Planner) choose(g gain, window drivers.Window, cal *Precedent) Setting {
	r := &p.rules
	first, most := 0, p.most
	if cal != nil {
		// The calibration's range, unless even the least drive overfills it.
		for first < len(r.Ranges)-1 && (r.Ranges[first] < cal.Range || p.fill(g, r.MinDrive, r.Ranges[first]) > r.Max) {
			first++
		}
	} else {
		// The largest range that the aim is reached on with headroom to
		// spare; on the smallest there is no reason to spare any.
		for i := range r.Ranges {
			if spare := max(p.most-units.DBm(r.Headroom), r.MinDrive); p.wanted(g, r.Ranges[i]) <= spare {
				first, most = i, spare
			}
		}
	}
	for first < len(r.Ranges)-1 && p.tooNoisy(g, r.Ranges[first]) {
		first++
	}
	full := r.Ranges[first]
	return Setting{p.unswitched(g, p.drive(g, full, most), full, most, cal), full, window}
}

// tooNoisy tells whether this step clipped on that range, or on a larger one,
// where a signal of gain g would not have.
func (p *Planner) tooNoisy(g gain, full units.Volts) bool {
	for _, c := range p.clipped {
		if full <= c.Range && p.fill(g, c.Drive, c.Range) <= p.rules.Max {
			return true
		}
	}
	return false
}

// wanted is the drive that brings the fill to the aim, whatever the limits.
func (p *Planner) wanted(g gain, full units.Volts) units.DBm {
	return units.DBm(20*math.Log10(p.rules.Aim*float64(full)) - float64(g))
}

// drive is what is wanted within the limits, rounded down to the generator's steps.
func (p *Planner) drive(g gain, full units.Volts, most units.DBm) units.DBm {
	d := max(p.rules.MinDrive, min(p.wanted(g, full), most))
	return p.roundDown(d)
}

func (p *Planner) roundDown(d units.DBm) units.DBm {
	step := float64(p.rules.DriveStep)
	if step <= 0 {
		return d
	}
	// A multiple of the step, held against the rounding of the division; the
	// quotient by the number of steps per dB prints as people write it.
	n := math.Floor(float64(d)/step + 1e-9)
	rounded := units.DBm(math.Round(n*step*1e6) / 1e6)
	return max(min(rounded, p.most), p.rules.MinDrive)
}

func (p *Planner) fill(g gain, drive units.DBm, full units.Volts) float64 {
	return math.Pow(10, (float64(g)+float64(drive))/20) / float64(full)
}

// Lower is s with at least drop less drive, for a second level on the same
// range; false where the generator ends before that.
func (p *Planner) Lower(s Setting, drop units.DB) (Setting, bool) {
	wanted := s.Drive - units.DBm(drop)
	s.Drive = max(p.roundDown(wanted), p.rules.MinDrive)
	const rounding = 1e-6 // dB, as roundDown's
	return s, s.Drive <= wanted+rounding
}

// Judgement is what a first capture says of its setting.
type Judgement struct {
	Retake bool
	Next   Setting // to be used for the retake
}

// clipDown is how far the drive goes down after the first clipping of a step,
// where the true amplitude is unknown.
const clipDown units.DBm = 6

// Judge looks at the first capture of a step: the peak amplitude of the larger
// arm, and whether a channel was clipped. A step whose fill is out of bounds
// is taken again where another setting would be nearer.
func (p *Planner) Judge(s Setting, amplitude units.Volts, clipped bool, cal *Precedent) Judgement {
	r := &p.rules
	if clipped {
		next := p.lower(s, cal)
		p.clipped = append(p.clipped, s)
		return Judgement{Retake: next != s, Next: next}
	}
	fill := 2 * float64(amplitude) / float64(s.Range)
	if fill >= r.Min && fill <= r.Max {
		return Judgement{}
	}
	if !(amplitude > 0) {
		// Nothing to compute from: as a signal that just reaches the aim with
		// all there is.
		amplitude = units.Volts(r.Aim/2) * r.Ranges[0] * units.Volts(units.DB(s.Drive-p.most).Ratio())
	}
	next := p.choose(gainOf(2*amplitude, s.Drive), s.Window, cal)
	return Judgement{Retake: next != s, Next: next}
}

// lower is where to go from a setting that clipped: a calibration takes a
// larger range, a balun run, which should keep its range, less drive; each
// does the other's where it has come to its end. Each clipping of the step
// doubles the stride, in ranges or dB.
func (p *Planner) lower(s Setting, cal *Precedent) Setting {
	r := &p.rules
	stride := 1 << min(len(p.clipped), 6)
	larger, weaker := s, s
	for _, full := range r.Ranges {
		if full > larger.Range && stride > 0 {
			larger.Range = full
			stride--
		}
	}
	weaker.Drive = p.roundDown(max(s.Drive-clipDown*units.DBm(math.Exp2(float64(len(p.clipped)))), r.MinDrive))
	if (cal == nil && larger != s) || weaker == s {
		return larger
	}
	return weaker
}
