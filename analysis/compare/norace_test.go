//go:build !race

package compare

const fewer = 1
