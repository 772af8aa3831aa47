package daemon

import (
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"halfturn/sweep"
	"halfturn/sweep/queue"
)

// metrics are what a monitor reads at /metrics.
type metrics struct {
	registry    *prometheus.Registry
	parts       *prometheus.HistogramVec // seconds of a step, by part
	whole       prometheus.Histogram
	added       prometheus.Histogram
	commit      prometheus.Histogram
	steps       prometheus.Counter
	captures    prometheus.Counter
	failures    *prometheus.CounterVec
	stepRetries prometheus.Counter
	jobRetries  prometheus.Counter
	ended       *prometheus.CounterVec
}

// The parts of a step's time, which add up to it.
const (
	partInstrument = "instrument"
	partTransfer   = "transfer"
	partComputing  = "computing"
	partCommit     = "commit"
	partBackoff    = "backoff"
)

// stepBuckets go from a simulated step to one of many captures over a slow line.
var stepBuckets = prometheus.ExponentialBuckets(0.0005, 2, 20)

// addedBuckets go from what nobody notices to a disk that hangs.
var addedBuckets = prometheus.ExponentialBuckets(0.000125, 2, 16)

func newMetrics(d *Daemon) *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		parts: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "halfturn_step_part_seconds", Buckets: stepBuckets,
			Help: "Time of a step by part: instrument (setting, settling, acquiring, error queues), transfer (reading samples), computing, commit (waiting for the step before to be stored), backoff (waiting before another try)."}, []string{"part"}),
		whole:  prometheus.NewHistogram(prometheus.HistogramOpts{Name: "halfturn_step_seconds", Buckets: stepBuckets, Help: "Time of a step, the sum of its parts."}),
		added:  prometheus.NewHistogram(prometheus.HistogramOpts{Name: "halfturn_step_added_seconds", Buckets: addedBuckets, Help: "Time that the daemon adds to what the instruments take for a step: computing and commit."}),
		commit: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "halfturn_commit_seconds", Buckets: stepBuckets, Help: "Time of storing a step, which overlaps with setting the next."}),
		steps:  prometheus.NewCounter(prometheus.CounterOpts{Name: "halfturn_steps_total", Help: "Steps stored."}),
		captures: prometheus.NewCounter(prometheus.CounterOpts{Name: "halfturn_captures_total",
			Help: "Captures taken for stored steps, those of other levels and of failed tries included."}),
		failures:    prometheus.NewCounterVec(prometheus.CounterOpts{Name: "halfturn_instrument_failures_total", Help: "Exchanges with an instrument that failed."}, []string{"instrument"}),
		stepRetries: prometheus.NewCounter(prometheus.CounterOpts{Name: "halfturn_step_retries_total", Help: "Tries of a step after a failed link or a reply that made no sense."}),
		jobRetries:  prometheus.NewCounter(prometheus.CounterOpts{Name: "halfturn_job_retries_total", Help: "Tries of a job after a failure."}),
		ended:       prometheus.NewCounterVec(prometheus.CounterOpts{Name: "halfturn_jobs_ended_total", Help: "Jobs that ended, by state."}, []string{"state"}),
	}
	m.registry.MustRegister(m.parts, m.whole, m.added, m.commit, m.steps, m.captures, m.failures, m.stepRetries, m.jobRetries, m.ended, &standing{d},
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	for _, part := range []string{partInstrument, partTransfer, partComputing, partCommit, partBackoff} {
		m.parts.WithLabelValues(part)
	}
	for _, i := range []string{"generator", "scope"} {
		m.failures.WithLabelValues(i)
	}
	for _, s := range []queue.State{queue.Done, queue.Cancelled, queue.Parked} {
		m.ended.WithLabelValues(string(s))
	}
	return m
}

// step counts a stored step.
func (m *metrics) step(t *sweep.Timing) {
	m.whole.Observe(t.Whole().Seconds())
	m.added.Observe(t.Added().Seconds())
	m.commit.Observe(t.Storing.Seconds())
	for part, spent := range map[string]time.Duration{
		partInstrument: t.Instruments, partTransfer: t.Transfer, partComputing: t.Computing, partCommit: t.Commit, partBackoff: t.Backoff,
	} {
		m.parts.WithLabelValues(part).Observe(spent.Seconds())
	}
	m.steps.Inc()
	m.captures.Add(float64(t.Captures))
}

// job counts what a change of a job says.
func (m *metrics) job(j *queue.Job) {
	if j.State == queue.Waiting && j.Failures > 0 {
		m.jobRetries.Inc()
	}
}

// standing are the metrics that are read off when asked for.
type standing struct{ d *Daemon }

var (
	descState  = prometheus.NewDesc("halfturn_job_state", "1 for the state of the job whose turn it is; idle where there is none.", []string{"state"}, nil)
	descQueue  = prometheus.NewDesc("halfturn_queue_length", "Jobs that are not ended.", nil, nil)
	descParked = prometheus.NewDesc("halfturn_jobs_parked", "Jobs that were given up and wait for a person.", nil, nil)
	descRF     = prometheus.NewDesc("halfturn_rf_unknown", "1 while RF may be on though nothing is measured.", nil, nil)
	descDisk   = prometheus.NewDesc("halfturn_disk_left_bytes", "What is left on the disk of the store.", nil, nil)
	descMissed = prometheus.NewDesc("halfturn_schedule_missed_total", "Times of a schedule that queued nothing.", []string{"schedule"}, nil)
)

func (s *standing) Describe(c chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{descState, descQueue, descParked, descRF, descDisk, descMissed} {
		c <- d
	}
}

func (s *standing) Collect(c chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		c <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	bench := s.d.State()
	now := "idle"
	if bench.Job != nil {
		now = string(bench.Job.State)
	}
	for _, state := range []string{"idle", string(queue.Waiting), string(queue.Asking), string(queue.Running)} {
		gauge(descState, truth(state == now), state)
	}
	parked := 0
	for _, j := range s.d.queue.Jobs() {
		if j.State == queue.Parked {
			parked++
		}
	}
	gauge(descQueue, float64(bench.Queue))
	gauge(descParked, float64(parked))
	gauge(descRF, truth(bench.RF == RFUnknown))
	if bench.Store.Left >= 0 {
		gauge(descDisk, float64(bench.Store.Left))
	}
	for _, f := range s.d.queue.Firings() {
		c <- prometheus.MustNewConstMetric(descMissed, prometheus.CounterValue, float64(f.Missed), f.Name)
	}
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func (m *metrics) handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{})
}
