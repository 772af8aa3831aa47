//go:build race

package phasor

// underRace: the race detector makes each access to memory many times as
// dear; the longest records are left to the run without it.
const underRace = true
