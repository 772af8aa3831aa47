package setup

import (
	"fmt"
	"net"
	"net/url"
	"path/filepath"
	"strings"
	"time"

	"halfturn/cmd/halfturn/daemon/token"
	"halfturn/sweep/queue"
)

// Serve is how the daemon of a bench serves: see package daemon.
type Serve struct {
	Listen      string        `json:"listen" mapstructure:"listen"`
	TokenHash   string        `json:"token_hash" mapstructure:"token_hash"` // as `halfturn token` makes it; empty for none
	Certificate string        `json:"certificate" mapstructure:"certificate"`
	Key         string        `json:"key" mapstructure:"key"`
	Retries     int           `json:"retries" mapstructure:"retries"`
	Backoff     time.Duration `json:"backoff" mapstructure:"backoff"`
	Hook        []string      `json:"hook" mapstructure:"hook"`       // command and arguments
	Webhook     string        `json:"webhook" mapstructure:"webhook"` // may hold a secret
	Schedules   []Schedule    `json:"schedules" mapstructure:"schedules"`
}

// Schedule is one line of the daemon's timetable.
type Schedule struct {
	Name     string        `json:"name" mapstructure:"name"`
	When     string        `json:"when" mapstructure:"when"`
	Zone     string        `json:"zone" mapstructure:"zone"`
	Job      string        `json:"job" mapstructure:"job"`
	Label    string        `json:"label" mapstructure:"label"`
	Every    time.Duration `json:"every" mapstructure:"every"`
	For      time.Duration `json:"for" mapstructure:"for"`
	Until    string        `json:"until" mapstructure:"until"` // a time of day
	Repeats  int           `json:"repeats" mapstructure:"repeats"`
	Scenario string        `json:"scenario" mapstructure:"scenario"`
}

// Queued is the schedule as the queue takes it.
func (s Schedule) Queued(now time.Time) (*queue.Schedule, error) {
	zone := s.Zone
	if zone == "" {
		zone = "Local"
	}
	return queue.NewSchedule(s.Name, s.When, zone, queue.Request{
		Kind: queue.Kind(s.Job), Label: s.Label, Every: queue.Duration(s.Every), For: queue.Duration(s.For), Clock: s.Until,
		Repeats: s.Repeats, Scenario: s.Scenario,
	}, now)
}

// Loopback tells whether only this machine can reach the daemon.
func (s *Serve) Loopback() bool {
	host, _, err := net.SplitHostPort(s.Listen)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// mostRetries keeps a slip of the finger from trying for weeks.
const mostRetries = 1000

// checkServe says what of the daemon's part cannot be.
func (c *Config) checkServe(r *reader) {
	s := &c.Serve
	must := func(holds bool, key, format string, a ...any) {
		if !holds && !r.said(key) {
			r.wrong(key, format, a...)
		}
	}
	_, port, err := net.SplitHostPort(s.Listen)
	must(err == nil && port != "", "serve.listen", "%q is no address to listen on, write it like 127.0.0.1:8737", s.Listen)
	must((s.Certificate == "") == (s.Key == ""), r.given("serve.key", "serve.certificate"), "certificate and key go together")
	must(s.TokenHash == "" || token.Valid(s.TokenHash) == nil, "serve.token_hash", "is not what `halfturn token` prints")
	if err == nil && !s.Loopback() {
		must(s.TokenHash != "" && s.Certificate != "", "serve.listen",
			"%s can be reached from elsewhere: that needs token_hash (`halfturn token` makes one), certificate and key; 127.0.0.1 needs none of them", s.Listen)
	}
	must(s.Retries >= 0 && s.Retries <= mostRetries, "serve.retries", "is %d: it is a number of tries, at most %d", s.Retries, mostRetries)
	must(s.Backoff > 0 && s.Backoff <= time.Minute, "serve.backoff", "is %v: it must be above 0 s and at most 1 min", s.Backoff)
	if s.Webhook != "" {
		u, err := url.Parse(s.Webhook)
		must(err == nil && (u.Scheme == "http" || u.Scheme == "https") && u.Host != "", "serve.webhook", "is no http or https address")
	}
	must(len(s.Hook) == 0 || strings.TrimSpace(s.Hook[0]) != "", "serve.hook", "the command has no name")
	names := map[string]bool{}
	for i, schedule := range s.Schedules {
		key := fmt.Sprintf("serve.schedules[%d]", i)
		if r.said(key, key+".name", key+".when", key+".zone", key+".job", key+".label", key+".every", key+".for", key+".until", key+".repeats", key+".scenario") {
			continue
		}
		if _, err := schedule.Queued(time.Now()); err != nil {
			r.wrong(key, "%v", err)
			continue
		}
		must(!names[schedule.Name], key, "a second schedule is called %q", schedule.Name)
		names[schedule.Name] = true
	}
	if r.origin("serve.certificate") == inFile {
		s.Certificate = besideFile(r.folder, s.Certificate)
	}
	if r.origin("serve.key") == inFile {
		s.Key = besideFile(r.folder, s.Key)
	}
}

// besideFile makes a path that a file names relative to that file.
func besideFile(folder, path string) string {
	if path == "" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(folder, path)
}
