package daemon

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"halfturn/cmd/halfturn/setup"
	"halfturn/drivers"
	"halfturn/drivers/dialect"
	"halfturn/drivers/simbench"
	"halfturn/drivers/simbench/device"
	"halfturn/sweep/queue"
	"halfturn/units"
)

// spending is how the simulated instruments of the benchmark spend the 100 ms
// that they take for a step of two captures.
type spending struct {
	set      time.Duration // of the generator's frequency or drive
	settle   time.Duration // of the bench, besides the dialects' own
	acquire  time.Duration // of a capture
	transfer time.Duration // of one channel's record
}

const (
	benchPoints   = 40
	dialectSettle = 5 * time.Millisecond // of both dialects
)

// mark is when a step ended, and how long the instruments had been at work by
// then.
type mark struct {
	at   time.Time
	busy time.Duration
}

// spendings are where the 100 ms go: mostly to settling, behind which a commit
// can hide, or mostly to acquiring.
var spendings = []struct {
	name string
	spending
}{
	{"settling", spending{set: 3 * time.Millisecond, settle: 75 * time.Millisecond, acquire: 5 * time.Millisecond, transfer: time.Millisecond}},
	{"acquiring", spending{set: 3 * time.Millisecond, acquire: 38 * time.Millisecond, transfer: 3 * time.Millisecond}},
}

// interfere makes the instruments take their time. ended is called whenever
// the scope's error queue is read, which ends preparing and each step.
func (s *spending) interfere(server *simbench.Server, ended func()) {
	server.Interfere(simbench.Generator, func(command string, _ []byte) simbench.Action {
		if name, _, sets := strings.Cut(command, " "); sets && strings.HasPrefix(name, "SOURce") {
			return device.Late(s.set)(nil)
		}
		return simbench.Action{}
	})
	server.Interfere(simbench.Scope, func(command string, _ []byte) simbench.Action {
		switch {
		case strings.HasPrefix(command, "INITiate:IMMediate"):
			return device.Late(s.acquire)(nil)
		case strings.HasPrefix(command, "TRACe"):
			return device.Late(s.transfer)(nil)
		case strings.HasPrefix(command, "SYSTem:ERRor"):
			ended()
		}
		return simbench.Action{}
	})
}

func busy(server *simbench.Server) time.Duration {
	return server.Busy(simbench.Generator) + server.Busy(simbench.Scope)
}

func milliseconds(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

// BenchmarkAdded carries out runs against instruments that take 100 ms a step,
// with the store on the disk and while others read events, reports and metrics.
// added_ms/step is what a step took longer than its settling and the time that
// the instruments were at work by their own count; own_ms/step is the part of
// it that the daemon says it added, the rest are round trips and timers, as
// BenchmarkBare has them too.
func BenchmarkAdded(b *testing.B) {
	for _, s := range spendings {
		b.Run(s.name, func(b *testing.B) { benchmarkAdded(b, &s.spending) })
	}
}

// unhurried is a rig whose instruments a busy machine does not make late.
func unhurried(b *testing.B) *rig {
	r := newRig(b, "")
	for range 2 { // generator and scope
		r.rewrite("time_limit: 300 ms", "time_limit: 5 s")
	}
	return r
}

func benchmarkAdded(b *testing.B, spend *spending) {
	r := unhurried(b)
	r.rewrite(fmt.Sprintf("points: %d", points), fmt.Sprintf("points: %d", benchPoints))
	r.rewrite("  fixture: plate 1\n", fmt.Sprintf("  fixture: plate 1\n  settle: %v\n", spend.settle))
	r.begin()
	r.calibrated()
	r.server.FitForMeasurement()
	var mu sync.Mutex
	var ends []mark
	spend.interfere(r.server, func() {
		mu.Lock()
		defer mu.Unlock()
		ends = append(ends, mark{time.Now(), busy(r.server)})
	})
	defer r.watched()()
	var added []time.Duration
	var whole, sum time.Duration
	own := 0.0
	for b.Loop() {
		ends = ends[:0]
		job := r.until(r.submit(`{"kind": "balun", "label": "w", "ready": true}`).ID, queue.Done)
		steps := get[Steps](r, fmt.Sprintf("%s/runs/%d/steps", root, job.Runs[0].Run)).Steps
		own += get[Bench](r, root+"/bench").Timing.Added
		mu.Lock()
		if len(ends) != len(steps)+1 {
			b.Fatalf("%d error queues read in %d steps", len(ends), len(steps))
		}
		for i, s := range steps[1:] {
			before, after := ends[i+1], ends[i+2]
			took := after.at.Sub(before.at)
			whole += took
			added = append(added, took-(after.busy-before.busy)-time.Duration(s.Acquisitions)*(spend.settle+dialectSettle))
			sum += added[len(added)-1]
		}
		mu.Unlock()
	}
	slices.Sort(added)
	b.ReportMetric(milliseconds(sum)/float64(len(added)), "added_ms/step")
	b.ReportMetric(milliseconds(added[len(added)/2]), "added_ms/median")
	b.ReportMetric(1e3*own/float64(b.N), "own_ms/step")
	b.ReportMetric(milliseconds(whole)/float64(len(added)), "ms/step")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkBare asks the same of the same instruments with nothing between:
// what any program would add.
func BenchmarkBare(b *testing.B) {
	for _, s := range spendings {
		b.Run(s.name, func(b *testing.B) { benchmarkBare(b, &s.spending) })
	}
}

func benchmarkBare(b *testing.B, spend *spending) {
	r := unhurried(b)
	config, err := setup.Load(r.file(), nil)
	if err != nil {
		b.Fatal(err)
	}
	ctx := b.Context()
	generator, err := dialect.OpenGenerator(ctx, config.Bench.Generator)
	if err != nil {
		b.Fatal(err)
	}
	defer generator.Close()
	scope, err := dialect.OpenScope(ctx, config.Bench.Scope)
	if err != nil {
		b.Fatal(err)
	}
	defer scope.Close()
	can := scope.Abilities()
	prepared := errors.Join(generator.Prepare(ctx), scope.Prepare(ctx), scope.SetRange(ctx, drivers.Arm1, can.Ranges[0]),
		scope.SetRange(ctx, drivers.Arm2, can.Ranges[0]), scope.SetWindow(ctx, can.Windows[0]))
	if prepared != nil {
		b.Fatal(prepared)
	}
	spend.interfere(r.server, func() {})
	var capture drivers.Capture
	begun, before, steps := time.Now(), busy(r.server), 0
	for b.Loop() {
		for i := range benchPoints {
			err := errors.Join(generator.SetFrequency(ctx, units.Hertz(10e6+1e6*float64(i))), generator.SetDrive(ctx, units.DBm(-float64(i%2))))
			time.Sleep(spend.settle + dialectSettle)
			err = errors.Join(err, scope.Capture(ctx, &capture), scope.Capture(ctx, &capture), generator.CheckErrors(ctx), scope.CheckErrors(ctx))
			if err != nil {
				b.Fatal(err)
			}
			steps++
		}
	}
	added := time.Since(begun) - (busy(r.server) - before) - time.Duration(steps)*(spend.settle+dialectSettle)
	b.ReportMetric(milliseconds(added)/float64(steps), "added_ms/step")
	b.ReportMetric(0, "ns/op")
}

// watched lets others watch: two readers of the event stream, one of which never
// reads what it asked for, and one each of reports and metrics. The result ends it.
func (r *rig) watched() (end func()) {
	ctx, cancel := context.WithCancel(context.Background())
	var watching sync.WaitGroup
	ask := func(path string, use func(*http.Response)) {
		request, err := http.NewRequestWithContext(ctx, "GET", r.base+path, nil)
		if err != nil {
			r.Error(err)
			return
		}
		response, err := http.DefaultClient.Do(request)
		if err != nil {
			return // the end
		}
		defer response.Body.Close()
		use(response)
	}
	watching.Go(func() {
		ask(root+"/events", func(response *http.Response) {
			for lines := bufio.NewScanner(response.Body); lines.Scan(); {
			}
		})
	})
	watching.Go(func() { ask(root+"/events", func(*http.Response) { <-ctx.Done() }) })
	for _, path := range []string{root + "/runs/1/report", "/metrics"} {
		watching.Go(func() {
			for ctx.Err() == nil {
				ask(path, func(response *http.Response) {
					for lines := bufio.NewReader(response.Body); ; {
						if _, err := lines.Discard(4096); err != nil {
							break
						}
					}
				})
				select {
				case <-ctx.Done():
				case <-time.After(time.Second):
				}
			}
		})
	}
	return func() { cancel(); watching.Wait() }
}
