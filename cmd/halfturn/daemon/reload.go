package daemon

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"os"
	"reflect"
	"slices"
	"strings"
	"sync"
	"time"

	"halfturn/cmd/halfturn/setup"
	"halfturn/sweep/queue"
)

// The bench file is read again when it has changed and when somebody asks for
// it. What it says then holds at once for schedules, hooks and tries, for
// thinning when it looks again, and for runs from the next job on: one that has
// begun goes by what it began with. What cannot be read, or takes a restart,
// changes nothing.

// config is what is in force. It is not changed but replaced.
func (d *Daemon) config() *setup.Config { return d.current.Load() }

// rules are what the queue goes by.
func (d *Daemon) rules(c *setup.Config) (queue.Rules, error) {
	r := queue.Rules{Retries: c.Serve.Retries, Backoff: c.Serve.Backoff}
	for _, s := range c.Serve.Schedules {
		q, err := s.Queued(d.Now())
		if err != nil {
			return r, err
		}
		r.Schedules = append(r.Schedules, q)
	}
	return r, nil
}

// Reload reads the bench file and puts it in force. The error, of one line,
// says why it is not; then what was in force stays. It may be called by anybody
// at any time.
func (d *Daemon) Reload() error {
	if d.Load == nil {
		return fmt.Errorf("there is no bench file to be read again")
	}
	d.file.reading.Lock()
	defer d.file.reading.Unlock()
	sum := digestOf(d.file.name)
	was := d.config()
	changed, err := d.reload(was)
	d.file.read(sum, d.Now(), err)
	switch {
	case err != nil:
		d.log.Warn("the bench file is not taken over; what was in force stays", "file", d.file.name, "problem", err.Error())
	case len(changed) > 0:
		d.log.Info("the bench file is taken over; a job that has begun goes on as it began", "file", d.file.name, "changed", strings.Join(changed, ", "))
	default:
		d.log.Info("the bench file says what is in force", "file", d.file.name)
	}
	d.tellState()
	return err
}

func (d *Daemon) reload(was *setup.Config) (changed []string, err error) {
	is, err := d.Load()
	if err != nil {
		return nil, oneLine(err)
	}
	if keys := takesRestart(was, is); len(keys) > 0 {
		return nil, fmt.Errorf("%s cannot change without a restart, and nothing else of the file is taken over before", strings.Join(keys, ", "))
	}
	rules, err := d.rules(is)
	if err != nil {
		return nil, err
	}
	if err := d.queue.Change(rules); err != nil {
		return nil, err
	}
	d.current.Store(is)
	return differences(was, is), nil
}

// oneLine is the first line of an error and how many more there are.
func oneLine(err error) error {
	first, rest, more := strings.Cut(strings.TrimSpace(err.Error()), "\n")
	if !more {
		return err
	}
	return fmt.Errorf("%s (and %d more)", first, strings.Count(strings.TrimSpace(rest), "\n")+1)
}

// takesRestart names the keys that are held, listened on or let in by since the
// start.
func takesRestart(was, is *setup.Config) (keys []string) {
	for _, k := range []struct {
		key     string
		was, is string
	}{
		{"bench.name", was.Bench.Name, is.Bench.Name},
		{"bench.generator.address", was.Bench.Generator.Address, is.Bench.Generator.Address},
		{"bench.scope.address", was.Bench.Scope.Address, is.Bench.Scope.Address},
		{"store", was.Store, is.Store},
		{"serve.listen", was.Serve.Listen, is.Serve.Listen},
		{"serve.token_hash", was.Serve.TokenHash, is.Serve.TokenHash},
		{"serve.certificate", was.Serve.Certificate, is.Serve.Certificate},
		{"serve.key", was.Serve.Key, is.Serve.Key},
	} {
		if k.was != k.is {
			keys = append(keys, k.key)
		}
	}
	return keys
}

// differences names the parts of the file that are not the same, without what
// they say.
func differences(was, is *setup.Config) []string {
	parts := func(c *setup.Config) map[string]any {
		list := map[string]any{}
		for _, top := range []struct {
			name string
			of   any
		}{{"bench", c.Bench}, {"plan", c.Plan}, {"thin", c.Thin}, {"serve", c.Serve}} {
			text, err := json.Marshal(top.of)
			var keys map[string]any
			if err != nil || json.Unmarshal(text, &keys) != nil {
				continue
			}
			for key, value := range keys {
				list[top.name+"."+key] = value
			}
		}
		list["limits"] = c.Limits
		return list
	}
	a, b := parts(was), parts(is)
	var names []string
	for name, value := range b {
		if !reflect.DeepEqual(a[name], value) {
			names = append(names, name)
		}
	}
	for name := range a {
		if _, ok := b[name]; !ok {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// benchFile is the file against what is in force.
type benchFile struct {
	name    string
	reading sync.Mutex // one at a time

	mu    sync.Mutex
	taken [sha256.Size]byte // as it was last read, in force or not
	seen  [sha256.Size]byte
	now   ConfigFile
}

func digestOf(file string) (sum [sha256.Size]byte) {
	text, err := os.ReadFile(file)
	if err != nil {
		return sum
	}
	return sha256.Sum256(text)
}

func (f *benchFile) begin(name string, now time.Time) {
	f.name, f.now.File, f.now.Read = name, name, now
	if name != "" {
		f.taken = digestOf(name)
		f.seen = f.taken
	}
}

func (f *benchFile) view() ConfigFile {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.now
}

// read notes what became of reading the file.
func (f *benchFile) read(sum [sha256.Size]byte, now time.Time, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.taken, f.seen = sum, sum
	if f.now.Problem = ""; err != nil {
		f.now.Changed, f.now.Problem = true, err.Error()
		return
	}
	f.now.Changed, f.now.Read = false, now
}

// due tells whether the file is another one than was last read, and has been
// for two looks: whoever writes it has ended.
func (f *benchFile) due() bool {
	sum := digestOf(f.name)
	f.mu.Lock()
	defer f.mu.Unlock()
	settled := sum == f.seen
	f.seen = sum
	return settled && sum != f.taken
}

// fileEvery is how often the bench file is looked at; tests do not wait so long.
var fileEvery = 2 * time.Second

func (d *Daemon) watchFile(ctx context.Context) {
	if d.file.name == "" || d.Load == nil {
		return
	}
	ticker := time.NewTicker(fileEvery)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		if d.file.due() {
			_ = d.Reload() // it is in the log and on the page
		}
	}
}
