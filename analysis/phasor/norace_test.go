//go:build !race

package phasor

const underRace = false
