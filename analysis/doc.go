// Package analysis is the parent of everything that turns captures into a
// decision: phasor (one record), balance (arm ratio, de-embedding, results),
// uncertainty, conformity (limits and verdict) and report (what people read).
//
// The packages below are pure: no clock, no file, no network. They import
// units, each other in the order named, and nothing of drivers or sweep, so
// that a run measured years ago is analysed by the same code as a live one.
package analysis
