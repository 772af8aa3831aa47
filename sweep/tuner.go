package sweep

import (
	"context"
	"time"

	"halfturn/drivers"
	"halfturn/sweep/level"
	"halfturn/units"
)

// tuner brings both instruments to a setting by what differs from the last.
type tuner struct {
	generator drivers.Generator
	scope     drivers.Scope
	settle    time.Duration // of the bench, besides the instruments' own
	watch     *stopwatch

	known          bool
	frequency      units.Hertz
	setting        level.Setting
	referenceRange units.Volts // range of the reference's channel; 0 for none
}

// forget makes the next set send everything, after a failure left it open what
// the instruments took.
func (t *tuner) forget() { t.known = false }

// set sends what has changed and waits until it has settled. On the way no
// channel sees more than it will at the end, and no level is above what the
// generator allows at the frequency: the drive goes down first and up last. From
// an unknown state it goes to the lowest first, which any frequency allows.
func (t *tuner) set(ctx context.Context, f units.Hertz, s level.Setting, referenceRange units.Volts) error {
	all := !t.known
	if !all && f == t.frequency && s == t.setting && referenceRange == t.referenceRange {
		return nil
	}
	defer t.watch.turn(t.watch.turn(&t.watch.spent.Instruments))
	t.known = false
	abilities := t.generator.Abilities()
	drive, up := t.setting.Drive, s.Drive > t.setting.Drive
	if all {
		drive, up = abilities.MinDrive, true
	} else if !up {
		drive = s.Drive
	}
	if all || drive != t.setting.Drive {
		if err := t.generator.SetDrive(ctx, drive); err != nil {
			return err
		}
	}
	clicks := abilities.AllClicks()
	if !all {
		clicks = abilities.Clicks(t.frequency, f, t.setting.Drive, s.Drive)
	}
	wait := t.settle + abilities.Settle + clicks
	if all || s.Range != t.setting.Range || s.Window != t.setting.Window || referenceRange != t.referenceRange {
		for _, arm := range []drivers.Arm{drivers.Arm1, drivers.Arm2} {
			if err := t.scope.SetRange(ctx, arm, s.Range); err != nil {
				return err
			}
		}
		if referenceRange != 0 {
			if err := t.scope.SetRange(ctx, drivers.Reference, referenceRange); err != nil {
				return err
			}
		}
		if err := t.scope.SetWindow(ctx, s.Window); err != nil {
			return err
		}
		wait = max(wait, t.settle+t.scope.Abilities().Settle)
	}
	if all || f != t.frequency {
		if err := t.generator.SetFrequency(ctx, f); err != nil {
			return err
		}
	}
	if up {
		if err := t.generator.SetDrive(ctx, s.Drive); err != nil {
			return err
		}
	}
	if all {
		if err := t.generator.SetRF(ctx, true); err != nil {
			return err
		}
	}
	if err := sleep(ctx, wait); err != nil {
		return err
	}
	t.known, t.frequency, t.setting, t.referenceRange = true, f, s, referenceRange
	return nil
}

// off switches RF off as well as it can be told now, after a failure; the next
// setting says what is wrong.
func (t *tuner) off(ctx context.Context) {
	defer t.watch.turn(t.watch.turn(&t.watch.spent.Instruments))
	ctx, cancel := context.WithTimeout(ctx, shutdownLimit)
	defer cancel()
	_ = t.generator.SetRF(ctx, false)
}
