package setup

import "strings"

// checkHabits asks the generator's habits themselves, and puts each line where
// its key stands. What the dialect's own ask of them is told when it is opened.
func (c *Config) checkHabits(r *reader) {
	for _, line := range problemsOf(c.Bench.Generator.Habits.Validate()) {
		key, what, _ := strings.Cut(line, " ")
		if key = join("bench.generator", key); !r.said(key) {
			r.wrong(key, "%s", what)
		}
	}
}

// habitual tells whether key is one of the generator's habits, which say
// something only together.
func habitual(key string) bool {
	rest, ok := strings.CutPrefix(key, "bench.generator.")
	section, _, inside := strings.Cut(rest, ".")
	return ok && inside && (section == "drive" || section == "bands" || section == "attenuator")
}
