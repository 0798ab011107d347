package fit

import (
	"fmt"
	"math"
)

// A triangular holds what is left of the columns: r is upper triangular, and
// column j of it belongs to the coefficient order[j], whose column was divided
// by length[j].
type triangular struct {
	r      [][]float64 // by row
	order  []int
	length []float64 // by place in order
}

// triangle reflects the columns into a triangle, and the right side along with
// them (Householder). The column with most left is taken next, so that the last
// one tells whether the columns depend on each other. Both arguments are used up.
func triangle(columns [][]float64, right []float64) (triangular, error) {
	n := len(columns)
	q := triangular{r: make([][]float64, n), order: make([]int, n), length: make([]float64, n)}
	for j, c := range columns {
		q.order[j] = j
		q.length[j] = norm(c)
		if q.length[j] == 0 {
			return q, fmt.Errorf("%w: coefficient %d has nothing but zeros", ErrDependent, j+1)
		}
		for i := range c {
			c[i] /= q.length[j]
		}
	}
	for k := range n {
		most := k
		for j := k + 1; j < n; j++ {
			if norm(columns[j][k:]) > norm(columns[most][k:]) {
				most = j
			}
		}
		columns[k], columns[most] = columns[most], columns[k]
		q.order[k], q.order[most] = q.order[most], q.order[k]
		q.length[k], q.length[most] = q.length[most], q.length[k]
		if norm(columns[k][k:]) < dependent {
			return q, fmt.Errorf("%w: the points give coefficient %d nothing that the others do not explain; spread them more", ErrDependent, q.order[k]+1)
		}
		reflect(columns[k:], right, k)
	}
	for i := range n {
		q.r[i] = make([]float64, n)
		for j := i; j < n; j++ {
			q.r[i][j] = columns[j][i]
		}
	}
	return q, nil
}

// reflect turns the first column below row k to zero, and does the same to the
// others and to the right side.
func reflect(columns [][]float64, right []float64, k int) {
	v := append([]float64(nil), columns[0][k:]...)
	v[0] += math.Copysign(norm(v), v[0])
	square := dot(v, v)
	for _, c := range append(columns[:len(columns):len(columns)], right) {
		by := 2 * dot(v, c[k:]) / square
		for i := range v {
			c[k+i] -= by * v[i]
		}
	}
}

// norm is the length of a vector, with no square that overflows.
func norm(v []float64) float64 {
	length := 0.0
	for _, x := range v {
		length = math.Hypot(length, x)
	}
	return length
}

// solve solves R x = right, and puts x into the order of the coefficients.
func (q triangular) solve(right []float64) []float64 {
	x := make([]float64, len(right))
	for i := len(right) - 1; i >= 0; i-- {
		x[i] = (right[i] - dot(q.r[i][i+1:], x[i+1:])) / q.r[i][i]
	}
	out := make([]float64, len(x))
	for i, j := range q.order {
		out[j] = x[i] / q.length[i]
	}
	return out
}

// inverseOfSquare is the inverse of Rᵀ R, in the order of the coefficients: the
// covariance for weights that are right as they stand.
func (q triangular) inverseOfSquare() [][]float64 {
	n := len(q.order)
	inverse := make([][]float64, n) // rows are the columns of R⁻¹
	for j := range n {
		unit := make([]float64, n)
		unit[j] = 1
		inverse[j] = q.solve(unit)
	}
	out := make([][]float64, n)
	for a := range n {
		out[a] = make([]float64, n)
		for b := range n {
			for j := range n {
				out[a][b] += inverse[j][a] * inverse[j][b]
			}
		}
	}
	return out
}
