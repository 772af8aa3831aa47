package journal

import (
	"fmt"
	"math"
	"time"
)

// nanoseconds is a time as it is stored, nil for the zero time.
func nanoseconds(t time.Time) (any, error) {
	if t.IsZero() {
		return nil, nil
	}
	const most = math.MaxInt64/1_000_000_000 - 1 // seconds either side of 1970
	if s := t.Unix(); s < -most || s > most {
		return nil, fmt.Errorf("the time %v is beyond what can be stored; is the clock set?", t)
	}
	return t.UnixNano(), nil
}

func timeOf(ns any) time.Time {
	if n, ok := ns.(int64); ok {
		return time.Unix(0, n).UTC()
	}
	return time.Time{}
}
