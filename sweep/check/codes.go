package check

import (
	"fmt"
	"math"

	"halfturn/units"
)

// What a record looks like that is read in another way than it was written.

// extremes shows the lowest and highest code of the last capture.
func (s *session) extremes() string {
	var low, high [2]int16
	for arm := range low {
		low[arm], high[arm] = math.MaxInt16, math.MinInt16
		for _, c := range s.capture.Traces[arm].Codes {
			low[arm], high[arm] = min(low[arm], c), max(high[arm], c)
		}
	}
	t := &s.capture.Traces
	return fmt.Sprintf("codes %d to %d in arm 1 and %d to %d in arm 2, rails at %d and %d", low[0], high[0], low[1], high[1], t[0].Low, t[0].High)
}

const (
	outer     = 0.25 // of the codes from rail to rail, at either end
	atTheEnds = 0.9  // of the samples, where noise of another sign lies
	farOff    = 0.4  // of full scale, where the mean of no signal must not be
	comesUp   = 10   // times the noise, that RF makes of samples in a wrong order
)

// looksLike tells what the last capture, of nothing but noise, speaks for; empty
// where it speaks for nothing.
func (s *session) looksLike() string {
	for arm := range s.capture.Traces {
		t := &s.capture.Traces[arm]
		part := outer * (float64(t.High) - float64(t.Low))
		bottom, top, same := 0, 0, 0
		for _, c := range t.Codes {
			switch {
			case float64(c) < float64(t.Low)+part:
				bottom++
			case float64(c) > float64(t.High)-part:
				top++
			}
			if c == t.Codes[0] {
				same++
			}
		}
		n := float64(len(t.Codes))
		switch {
		case same == len(t.Codes):
			return fmt.Sprintf(": each sample of arm %d is the same code, as where the other byte is read", arm+1)
		case min(bottom, top) > 0 && float64(bottom+top) > atTheEnds*n:
			return fmt.Sprintf(": the samples of arm %d lie at both ends and not between, as where the sign is another one", arm+1)
		}
	}
	return ""
}

// offCentre tells a record of no signal, on the largest range, that lies far
// from 0 V.
func (s *session) offCentre() (said string, off bool) {
	for arm := range s.capture.Traces {
		t := &s.capture.Traces[arm]
		sum := 0.0
		for _, c := range t.Codes {
			sum += float64(c)
		}
		mean := units.Volts(sum/float64(len(t.Codes))-t.Zero) * t.VoltsPerCode
		if full := s.setting.full; math.Abs(float64(mean)) > farOff*float64(full) {
			return fmt.Sprintf("the samples of arm %d lie at %s of a range of %s, with no signal", arm+1, mean.Brief(), full.Brief()), true
		}
	}
	return "", false
}

// tellScrambled tells samples that RF changes, though nothing of it is seen at
// its frequency.
func (s *session) tellScrambled(f units.Hertz, sigma [2]units.Volts) bool {
	quiet := s.noise[s.setting.full]
	if sigma[0] < comesUp*quiet[0] && sigma[1] < comesUp*quiet[1] {
		return false
	}
	s.wrong("scope", "RF on", fmt.Sprintf("RF changes the samples, and nothing stands at %s: they are not in the order in which they were taken", f.Brief()),
		fmt.Sprintf("RF on at %s and %v", f.Brief(), s.drive),
		fmt.Sprintf("%s and %s rms of something else, %s and %s with RF off", sigma[0].Brief(), sigma[1].Brief(), quiet[0].Brief(), quiet[1].Brief()), "order")
	return true
}
