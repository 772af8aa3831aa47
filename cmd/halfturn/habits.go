package main

import (
	"fmt"
	"strings"

	"halfturn/drivers/simbench"
)

// habitLines is what a bench file says of a simulated generator's habits, below
// its address and dialect; empty where it has none.
func habitLines(g *simbench.Source) string {
	var b strings.Builder
	if l := g.Level; l.Step > 0 || len(l.To) > 0 {
		b.WriteString("    drive:\n")
		for i, e := range l.To {
			if i == 0 {
				b.WriteString("      to:\n")
			}
			fmt.Fprintf(&b, "        - {up_to: %v, level: %v}\n", e.UpTo, e.Level)
		}
		if l.Step > 0 {
			fmt.Fprintf(&b, "      step: %v\n", l.Step)
		}
	}
	if len(g.Bands.Edges) > 0 && g.Bands.Settle > 0 {
		fmt.Fprintf(&b, "    bands: {edges: [%s], settle: %s}\n", listed(g.Bands.Edges), g.Bands.Settle.Brief())
	}
	if a := g.Attenuator; len(a.Levels) > 0 {
		fmt.Fprintf(&b, "    attenuator: {levels: [%s], hysteresis: %v, settle: %s}\n", listed(a.Levels), a.Hysteresis, a.Settle.Brief())
	}
	return b.String()
}

func listed[T fmt.Stringer](all []T) string {
	texts := make([]string, len(all))
	for i, v := range all {
		texts[i] = v.String()
	}
	return strings.Join(texts, ", ")
}
