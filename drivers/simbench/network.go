package simbench

import (
	"math"
	"math/cmplx"
)

// maxUnknowns is what the largest circuit of fixture.go needs: nodes and
// branch currents.
const maxUnknowns = 23

// network is a linear circuit at one frequency by modified nodal analysis:
// the unknowns are the node voltages against ground and the currents of the
// branches that have no admittance. Node 0 is ground.
//
// Source: C.-W. Ho, A. E. Ruehli, P. A. Brennan, "The modified nodal approach
// to network analysis", IEEE Transactions on Circuits and Systems, 1975 (from
// memory).
type network struct {
	nodes int // the largest node in use; branch currents follow
	size  int // unknowns
	a     [maxUnknowns][maxUnknowns]complex128
	b     [maxUnknowns]complex128
}

// newNetwork has nodes 1 to n.
func newNetwork(n int) *network { return &network{nodes: n, size: n} }

func (n *network) add(row, column int, y complex128) {
	if row > 0 && column > 0 {
		n.a[row-1][column-1] += y
	}
}

// admit connects i and j by an admittance in siemens.
func (n *network) admit(i, j int, y complex128) {
	n.add(i, i, y)
	n.add(j, j, y)
	n.add(i, j, -y)
	n.add(j, i, -y)
}

// inject drives a current in amperes from ground into node i.
func (n *network) inject(i int, current complex128) { n.b[i-1] += current }

// branch is a new unknown current that leaves node i and enters node j; its
// place among the unknowns, from 1, is also the row of its own equation.
func (n *network) branch(i, j int) int {
	n.size++
	n.add(i, n.size, 1)
	n.add(j, n.size, -1)
	return n.size
}

// series connects i and j by an impedance in ohms, which may be 0.
func (n *network) series(i, j int, z complex128) {
	k := n.branch(i, j)
	n.add(k, i, 1)
	n.add(k, j, -1)
	n.add(k, k, -z)
}

// line connects port 1 between nodes p and pr with port 2 between q and qr by
// a lossless line of characteristic impedance z0 in ohms and electrical
// length theta in radians:
//
//	V1 = V2 cos θ + j z0 I2 sin θ,  z0 I1 = j V2 sin θ + z0 I2 cos θ
//
// I1 flows into p and comes back at pr; I2 comes out at q and goes back into
// qr. Ports have no common node of their own: with qr off ground the line is
// the ideal balun that the sleeves make of a coax.
// Source: D. M. Pozar, Microwave Engineering, ABCD parameters of a line (from
// memory).
func (n *network) line(p, pr, q, qr int, z0, theta float64) {
	sin, cos := math.Sincos(theta)
	c, js := complex(cos, 0), complex(0, sin)
	z := complex(z0, 0)
	i1 := n.branch(p, pr)
	i2 := n.branch(qr, q)
	n.add(i1, p, 1)
	n.add(i1, pr, -1)
	n.add(i1, q, -c)
	n.add(i1, qr, c)
	n.add(i1, i2, -z*js)
	n.add(i2, i1, z)
	n.add(i2, q, -js)
	n.add(i2, qr, js)
	n.add(i2, i2, -z*c)
}

// solve is Gaussian elimination with row pivots. It returns the node
// voltages, index 0 being ground. ok is false where the circuit has no unique
// solution, which validated scenarios never have.
func (n *network) solve() (v [maxUnknowns + 1]complex128, ok bool) {
	a, b, size := &n.a, &n.b, n.size
	for k := range size {
		pivot := k
		for i := k + 1; i < size; i++ {
			if abs1(a[i][k]) > abs1(a[pivot][k]) {
				pivot = i
			}
		}
		if a[pivot][k] == 0 {
			return v, false
		}
		a[k], a[pivot] = a[pivot], a[k]
		b[k], b[pivot] = b[pivot], b[k]
		for i := k + 1; i < size; i++ {
			f := a[i][k] / a[k][k]
			if f == 0 {
				continue
			}
			for j := k + 1; j < size; j++ {
				a[i][j] -= f * a[k][j]
			}
			b[i] -= f * b[k]
		}
	}
	var x [maxUnknowns]complex128
	for k := size - 1; k >= 0; k-- {
		sum := b[k]
		for j := k + 1; j < size; j++ {
			sum -= a[k][j] * x[j]
		}
		x[k] = sum / a[k][k]
		if cmplx.IsNaN(x[k]) || cmplx.IsInf(x[k]) {
			return v, false
		}
	}
	copy(v[1:], x[:n.nodes])
	return v, true
}

func abs1(z complex128) float64 { return math.Abs(real(z)) + math.Abs(imag(z)) }
