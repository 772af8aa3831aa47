package setup

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

const serving = valid + `serve:
  listen: "[::1]:9000"
  token_hash: $argon2id$v=19$m=65536,t=3,p=4$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA
  certificate: bench.pem
  key: /etc/bench/key.pem
  retries: 3
  backoff: 5 s
  hook: [tell, bench]
  webhook: https://192.0.2.1/bench
  schedules:
    - {name: nightly, when: 30 2 * * 1-5, zone: Europe/Lisbon, job: balun, label: winding 3}
    - {name: weekend, when: "@weekly", job: series, every: 30 min, for: 2 d}
    - {name: well, when: 0 0 * * *, zone: UTC, job: dry-run, scenario: good-balun}
`

func TestServeReadsEveryKey(t *testing.T) {
	want := Serve{
		Listen:      "[::1]:9000",
		TokenHash:   "$argon2id$v=19$m=65536,t=3,p=4$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA",
		Certificate: "bench.pem", Key: "/etc/bench/key.pem",
		Retries: 3, Backoff: 5 * time.Second, Hook: []string{"tell", "bench"}, Webhook: "https://192.0.2.1/bench",
		Schedules: []Schedule{
			{Name: "nightly", When: "30 2 * * 1-5", Zone: "Europe/Lisbon", Job: "balun", Label: "winding 3"},
			{Name: "weekend", When: "@weekly", Job: "series", Every: 30 * time.Minute, For: 48 * time.Hour},
			{Name: "well", When: "0 0 * * *", Zone: "UTC", Job: "dry-run", Scenario: "good-balun"},
		},
	}
	if diff := cmp.Diff(want, parsed(t, serving).Serve); diff != "" {
		t.Error(diff)
	}
	// Paths are relative to the file.
	quiet(t)
	dir := t.TempDir()
	c, err := Load(write(t, dir, "bench.yaml", serving), nil)
	if err != nil {
		t.Fatal(err)
	}
	if c.Serve.Certificate != filepath.Join(dir, "bench.pem") || c.Serve.Key != "/etc/bench/key.pem" {
		t.Errorf("certificate %s, key %s", c.Serve.Certificate, c.Serve.Key)
	}
}

func TestLoopback(t *testing.T) {
	for listen, want := range map[string]bool{
		"127.0.0.1:1": true, "127.8.9.1:1": true, "[::1]:1": true, "localhost:1": true,
		":1": false, "0.0.0.0:1": false, "[::]:1": false, "192.0.2.1:1": false, "bench.example:1": false, "localhost.example:1": false, "127.0.0.1": false, "": false,
	} {
		if got := (&Serve{Listen: listen}).Loopback(); got != want {
			t.Errorf("%q: %v", listen, got)
		}
	}
}
