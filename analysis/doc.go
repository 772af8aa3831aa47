// Package analysis is the parent of everything that turns captures into a
// decision: uncertainty, phasor (one record), balance (arm ratio, de-embedding,
// results), conformity (limits and verdict), choke (the winding), fixture (the
// proof of the bench), linearity (what the level changes), compare (several
// runs) and report (what people read).
//
// The packages below are pure: no clock, no file, no network. They import
// units, those named before them, and nothing of drivers or sweep, so
// that a run measured years ago is analysed by the same code as a live one.
package analysis
