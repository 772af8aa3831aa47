//go:build race

package compare

// fewer divides the trials of a test of rates: the race detector slows them
// down, and one goroutine a trial holds nothing for it.
const fewer = 8
