package choke_test

import (
	"fmt"

	"halfturn/analysis/balance"
	"halfturn/analysis/choke"
	"halfturn/analysis/conformity"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// Six sleeves are on the line; how far down would the balun go with others?
func Example() {
	load := balance.Load{Resistance: 100, Capacitance: 15e-12, Source: 50}
	truth := choke.Model{L: 18e-6, R: 1800, C: 1e-12}
	var results []balance.Result
	for f := units.Hertz(2e6); f < 200e6; f *= 1.2 {
		r, _ := truth.Ratio(f, load) // in place of a sweep
		results = append(results, balance.Result{Frequency: f, Ratio: r, Cov: uncertainty.Circular(1e-3 * 1e-3)})
	}

	winding, err := choke.NewWinding(results, load, 6)
	if err != nil {
		fmt.Println(err)
		return
	}
	m := winding.Model
	fmt.Printf("L %.2f µH ± %.2f µH, R %.0f Ω ± %.0f Ω\n", m.L*1e6, m.UL*1e6, m.R, m.UR)

	rejection := units.DB(20)
	limits := conformity.Limits{From: 3e6, To: 100e6, CommonModeRejection: &rejection}
	bands, err := winding.Bands(limits, -2, 4)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, b := range bands {
		fmt.Printf("%2d sleeves: from %s, assured from %s\n", b.Sleeves, b.Nominal.From.Brief(), b.Assured.From.Brief())
	}
	need, err := winding.SleevesFor(limits, 3e6)
	fmt.Println("3 MHz needs", need.Assured, err)
	// Output:
	// L 18.00 µH ± 0.05 µH, R 1800 Ω ± 16 Ω
	//  4 sleeves: from 6.72 MHz, assured from 6.84 MHz
	//  5 sleeves: from 5.31 MHz, assured from 5.38 MHz
	//  6 sleeves: from 4.4 MHz, assured from 4.45 MHz
	//  7 sleeves: from 3.76 MHz, assured from 3.8 MHz
	//  8 sleeves: from 3.28 MHz, assured from 3.31 MHz
	//  9 sleeves: from 2.92 MHz, assured from 2.94 MHz
	// 10 sleeves: from 2.62 MHz, assured from 2.64 MHz
	// 3 MHz needs 9 <nil>
}
