package sweep

import (
	"time"

	"halfturn/drivers"
	"halfturn/units"
)

// clicksAhead is, for each step, how long the generator's band and attenuator
// will settle from there to the end: bands as the frequencies say, and the
// attenuator as the calibration went, where there is one.
func (p *pass) clicksAhead(g *drivers.GeneratorAbilities) []time.Duration {
	ahead := make([]time.Duration, len(p.places))
	drive := func(i int) units.DBm {
		if precedent := p.cal.precedent(p.places[i].frequency); precedent != nil {
			return precedent.Drive
		}
		return g.MinDrive // the same at each: bands alone
	}
	for i := len(ahead) - 1; i > 0; i-- {
		ahead[i-1] = ahead[i] + g.Clicks(p.places[i-1].frequency, p.places[i].frequency, drive(i-1), drive(i))
	}
	return ahead
}
