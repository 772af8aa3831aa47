package sweep

// Figures is how many X-Y figures a report shows.
const Figures = 6

// Shown picks n of so many measured steps, evenly spread, the first and the
// last among them: those whose X-Y figures are shown. Thinning keeps their
// captures.
func Shown(measured, n int) []int {
	n = min(n, measured)
	list := make([]int, n)
	for k := range list {
		if n > 1 {
			list[k] = k * (measured - 1) / (n - 1)
		}
	}
	return list
}
