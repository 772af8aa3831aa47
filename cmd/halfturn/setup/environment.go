package setup

import (
	"slices"
	"strings"
)

const prefix = "HALFTURN_"

// variable is the environment variable that overrides key.
func variable(key string) string {
	return prefix + strings.ToUpper(strings.ReplaceAll(key, ".", "_"))
}

// onlyInFile are the keys whose lists are too long for a variable, and those
// of the uncertainty, of the generator's habits and of TLS, which say something only together.
func onlyInFile(key string) bool {
	return key == "serve.certificate" || key == "serve.key" || key == "plan.frequencies" || strings.Contains(key, "[]") || strings.HasPrefix(key, uncertain+".") || habitual(key)
}

// overridable are the keys that have a variable.
func overridable() []string {
	all := []string{"limits"}
	for _, key := range known {
		if !onlyInFile(key) {
			all = append(all, key)
		}
	}
	return all
}

// environment picks ours out of "NAME=value" lines. An empty variable is as
// good as none.
func environment(lines []string) map[string]string {
	ours := map[string]string{}
	for _, line := range lines {
		name, value, _ := strings.Cut(line, "=")
		if strings.HasPrefix(name, prefix) && strings.TrimSpace(value) != "" {
			ours[name] = value
		}
	}
	return ours
}

// strangers says which variables with our prefix mean nothing to us: a
// misspelled one would be passed over otherwise.
func (r *reader) strangers() {
	var names []string // without the prefix, which all are alike in
	for _, key := range overridable() {
		names = append(names, strings.TrimPrefix(variable(key), prefix))
	}
	var found []string
	for name := range r.environ {
		if name = strings.TrimPrefix(name, prefix); !slices.Contains(names, name) {
			found = append(found, name)
		}
	}
	slices.Sort(found)
	for _, name := range found {
		place := "environment " + prefix + name
		switch near := nearest(name, names); {
		case name == "PLAN_FREQUENCIES" || name == "PLAN_SEGMENTS" || name == "LIMITS_SEGMENTS":
			r.add(place, "", "a list of frequencies comes from the file only")
		case strings.HasPrefix(name, "BENCH_UNCERTAINTY"):
			r.add(place, "", "an uncertainty comes from the file only")
		case near != "":
			r.add(place, "", "there is no such setting, did you mean %s%s?", prefix, near)
		default:
			r.add(place, "", "there is no such setting; they are named after the keys of the bench file, as %s", variable("plan.max_captures"))
		}
	}
}
