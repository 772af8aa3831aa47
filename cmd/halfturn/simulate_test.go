package main

import (
	"bytes"
	"regexp"
	"strings"
	"testing"

	"halfturn/drivers/simbench"
)

// What simulate prints can be put into a bench file, whatever is spoken.
func TestSimulatePrintsTheBenchFile(t *testing.T) {
	t.Parallel()
	serial := "tcp://127"
	if simbench.HasPTY {
		serial = "serial:///dev/"
	}
	for speaks, want := range map[string][2]string{
		"":                              {`"tcp://127[^"]*", dialect: scpi99-generator}`, `"tcp://127[^"]*", dialect: scpi99-digitiser}`},
		"headed":                        {`"tcp://127[^"]*", dialect: headed-generator}`, `"tcp://127[^"]*", dialect: headed-scope}`},
		"spoken":                        {`"` + serial + `[^"]*", dialect: spoken-generator}`, `"` + serial + `[^"]*", dialect: spoken-scope}`},
		"generator=coded,scope=bundled": {`"tcp://127[^"]*", dialect: coded-generator}`, `"tcp://127[^"]*", dialect: bundled-scope}`},
		"scope=spoken":                  {`"tcp://127[^"]*", dialect: scpi99-generator}`, `"` + serial + `[^"]*", dialect: spoken-scope}`},
	} {
		args := []string{"simulate", "-c", "good-balun"}
		if speaks != "" {
			args = append(args, "--speaks", speaks)
		}
		var out, errs bytes.Buffer
		if code := run(t.Context(), args, strings.NewReader("balun\nquit\n"), &out, &errs); code != 0 {
			t.Fatalf("%s: exit %d, %s", speaks, code, errs.String())
		}
		pattern := `(?m)^bench:\n  generator: \{address: ` + want[0] + `\n  scope: \{address: ` + want[1] + `$`
		if !regexp.MustCompile(pattern).MatchString(out.String()) || !strings.Contains(out.String(), "balun is in the fixture") {
			t.Errorf("%q: %s", speaks, out.String())
		}
	}
	for speaks, says := range map[string]string{
		"sung":          `"sung" is not one of scpi99, headed, bundled, spoken, coded`,
		"balun=headed":  `"balun" is neither generator nor scope`,
		"headed,":       `"" is not one of`,
		"generator=":    `"" is not one of`,
		"scope=scope=a": `"scope=a" is not one of`,
	} {
		if _, errs := must(t, 2, "simulate", "-c", "good-balun", "--speaks", speaks); !strings.Contains(errs, says) || strings.Count(errs, "\n") != 1 {
			t.Errorf("%s: %q, want %s", speaks, errs, says)
		}
	}
	var out bytes.Buffer
	if run(t.Context(), []string{"simulate", "-c", "with-reference", "--speaks", "coded"}, strings.NewReader("quit\n"), &out, &out); !strings.Contains(out.String(), "phase reference is left out") {
		t.Error(out.String())
	}
	if out, _ := must(t, 0, "simulate", "--help"); !strings.Contains(out, "coded    set and confirm in one message") {
		t.Error(out)
	}
}
