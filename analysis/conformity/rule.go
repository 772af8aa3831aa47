package conformity

import (
	"fmt"
	"math"
)

// Rule is how a decision takes the uncertainty into account. The empty Rule is
// NonBinary.
type Rule string

const (
	// NonBinary is the statement with a guard band on either side of the
	// limit: ILAC-G8:09/2019, 4.2.3.
	NonBinary Rule = "non-binary"
	// Simple is simple acceptance, also called shared risk: JCGM 106:2012, 8.2.
	Simple Rule = "simple"
	// Guarded is guarded acceptance: JCGM 106:2012, 8.3.2.
	Guarded Rule = "guarded"
)

// Rules are all rules, the default first.
var Rules = []Rule{NonBinary, Simple, Guarded}

// Validate says what is wrong with the rule, in one line.
func (r Rule) Validate() error {
	switch r {
	case "", NonBinary, Simple, Guarded:
		return nil
	}
	return fmt.Errorf("decision rule is %q: say %s, %s or %s", string(r), NonBinary, Simple, Guarded)
}

// UnmarshalText reads a rule as people write it; it refuses any other word.
func (r *Rule) UnmarshalText(text []byte) error {
	read := Rule(text)
	if err := read.Validate(); err != nil {
		return err
	}
	*r = read
	return nil
}

// Text names the rule and its source, for a report.
func (r Rule) Text() string {
	const undecided = " Where U is larger than the limit, nothing but a proven fail is stated."
	switch r {
	case Simple:
		return "Simple acceptance (JCGM 106:2012, 8.2): pass up to the limit, fail above it; the uncertainty shares the risk between both sides, up to 50 % at the limit." + undecided
	case Guarded:
		return "Guarded acceptance (JCGM 106:2012, 8.3.2) with a guard band w = U, k = 2: pass up to the limit less U, fail above; the risk of a false pass is below 2.5 % for a normal distribution." + undecided
	}
	return "Non-binary statement (ILAC-G8:09/2019, 4.2.3) with a guard band w = U, k = 2: pass below the limit less U, conditional pass up to the limit, conditional fail up to the limit plus U, fail above." + undecided
}

// decide applies the rule to a value with an upper limit. With an uncertainty
// larger than the limit nothing but a proven fail can be told, by any rule.
func (r Rule) decide(value, u, limit float64) Verdict {
	switch v := decide(value, u, limit); {
	case v == NotMeasurable || r == NonBinary || r == "":
		return v
	case v == Pass, r == Simple && value <= limit, r == Guarded && value <= limit-u:
		return Pass
	}
	return Fail
}

// ProbabilityOf is the probability that a quantity lies within low and high,
// where it was measured as value with standard uncertainty u and its
// distribution is normal (JCGM 106:2012, 7.2 to 7.4):
// Φ((high - value)/u) - Φ((low - value)/u). An infinite low or high is no
// limit. Without uncertainty it is 0 or 1. NaN where there is no measurement.
func ProbabilityOf(value, u, low, high float64) float64 {
	switch {
	case math.IsNaN(value) || !(u >= 0) || math.IsInf(u, 1):
		return math.NaN()
	case math.IsInf(value, 0) || u == 0:
		if low <= value && value <= high {
			return 1
		}
		return 0
	}
	below, above := (low-value)/u, (value-high)/u
	return max(0, 1-normalBelow(below)-normalBelow(above))
}

// normalBelow is the standard normal distribution function.
func normalBelow(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }
