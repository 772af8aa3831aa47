package daemon

import (
	"context"
	"time"

	sd "github.com/coreos/go-systemd/v22/daemon"
)

// NotifyReady tells the service manager, where there is one, that the daemon
// serves (sd_notify(3)).
func NotifyReady() { _, _ = sd.SdNotify(false, sd.SdNotifyReady) }

func notifyStopping() { _, _ = sd.SdNotify(false, sd.SdNotifyStopping) }

// stuck is how long the queue may be silent: longer than any exchange with an
// instrument and any commit.
const stuck = 2 * time.Minute

// watchdog tells the service manager that the queue is alive; where it is
// stuck, it keeps silent, and is restarted.
func (d *Daemon) watchdog(ctx context.Context) {
	interval, err := sd.SdWatchdogEnabled(false)
	if err != nil || interval <= 0 {
		return
	}
	ticker := time.NewTicker(interval / 3)
	defer ticker.Stop()
	for {
		if d.alive() {
			_, _ = sd.SdNotify(false, sd.SdNotifyWatchdog)
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// alive tells whether the queue has done something lately, or may be waiting
// for an instrument.
func (d *Daemon) alive() bool {
	b := &d.config().Bench
	limit := stuck + 2*max(b.Generator.TimeLimit, b.Scope.TimeLimit)
	return time.Since(d.queue.Beat()) < limit
}
