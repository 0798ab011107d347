// Package fit fits what is linear in its coefficients to readings, by weighted
// least squares: a calibration's gain and offset, a compass's coefficients, a
// trend's slope.
//
//	f, err := fit.Line(x, y, u)              // y = a + b x
//	f, err := fit.Linear(rows, y, u)         // y = row · coefficients
//	value, uncertainty := f.At(1, 12.6)      // the fitted value there
//
// # What is promised
//
// The equations are solved by orthogonal (Householder) reflections with column
// pivoting on columns scaled to length 1, never by the normal equations, which
// would halve the digits. Certified results of the NIST Statistical Reference
// Datasets are met to ten digits or more; the tests say which.
//
// Columns that cannot be told apart are refused, never resolved by chance.
//
// # Uncertainty
//
// With the standard uncertainties u of the y given, the weights are 1/u² and
// the covariance of the coefficients follows from them alone (JCGM 100:2008
// H.3, F.2.4); ResidualSD is then a ratio that is about 1 when u explains the
// scatter, and well above 1 when the model is wrong or u too small. With u nil
// every y weighs the same, and the covariance rests on the scatter about the
// fit: then there must be more points than coefficients.
package fit

import (
	"errors"
	"fmt"
	"math"
)

// A Fit is what was found. Indices are those of the columns of the rows.
type Fit struct {
	Coefficients []float64
	Covariance   [][]float64 // of the coefficients
	Residuals    []float64   // y minus the fitted value, in the unit of y
	Freedom      int         // points less coefficients

	// ResidualSD is the standard deviation of the residuals about the fit: in
	// the unit of y when u was nil, else in units of u. It is 0 without freedom.
	ResidualSD float64
}

// ErrDependent is what is returned, wrapped, when the points do not tell the
// coefficients apart.
var ErrDependent = errors.New("the points do not tell the coefficients apart")

// dependent is the length that must stay of a column of length 1 once what the
// others explain is taken off. Rounding alone leaves some 1e-15.
const dependent = 1e-11

// Line fits y = a + b x; the coefficients are a and b. For u see [Linear].
func Line(x, y, u []float64) (Fit, error) {
	rows := make([][]float64, len(x))
	for i := range x {
		rows[i] = []float64{1, x[i]}
	}
	return Linear(rows, y, u)
}

// Linear fits y = row · coefficients. Each row has one entry for each
// coefficient; u, if it is not nil, holds the standard uncertainty of each y,
// above 0. Nothing that is given is changed.
//
// Errors: lists of different lengths, numbers that are not finite, fewer points
// than coefficients (with u nil, no more points than coefficients), and
// [ErrDependent].
func Linear(rows [][]float64, y, u []float64) (Fit, error) {
	if err := check(rows, y, u); err != nil {
		return Fit{}, err
	}
	n := len(rows[0])
	weight := func(i int) float64 {
		if u == nil {
			return 1
		}
		return 1 / u[i]
	}
	columns, right := make([][]float64, n), make([]float64, len(y))
	for j := range columns {
		columns[j] = make([]float64, len(y))
		for i := range y {
			columns[j][i] = rows[i][j] * weight(i)
		}
	}
	for i := range y {
		right[i] = y[i] * weight(i)
	}
	q, err := triangle(columns, right)
	if err != nil {
		return Fit{}, err
	}
	f := Fit{Coefficients: q.solve(right[:n]), Covariance: q.inverseOfSquare(), Freedom: len(y) - n}
	f.Residuals = make([]float64, len(y))
	sum := 0.0
	for i := range y {
		f.Residuals[i] = y[i] - dot(rows[i], f.Coefficients)
		sum += math.Pow(f.Residuals[i]*weight(i), 2)
	}
	if f.Freedom > 0 {
		f.ResidualSD = math.Sqrt(sum / float64(f.Freedom))
	}
	if u == nil {
		f.scale(f.ResidualSD * f.ResidualSD)
	}
	return f, nil
}

func check(rows [][]float64, y, u []float64) error {
	if len(rows) == 0 || len(rows[0]) == 0 {
		return errors.New("a fit needs points and coefficients")
	}
	n, fewest := len(rows[0]), len(rows[0])
	if u == nil {
		fewest++
	}
	switch {
	case len(rows) != len(y) || u != nil && len(u) != len(y):
		return fmt.Errorf("a fit of %d rows, %d values and %d uncertainties: they must be as many", len(rows), len(y), len(u))
	case len(y) < fewest:
		return fmt.Errorf("%d points are too few for %d coefficients: at least %d are needed", len(y), n, fewest)
	}
	for i, row := range rows {
		switch {
		case len(row) != n:
			return fmt.Errorf("point %d has %d entries, the first has %d", i+1, len(row), n)
		case !finite(append([]float64{y[i]}, row...)...):
			return fmt.Errorf("point %d has what is no number", i+1)
		case u != nil && !(u[i] > 0 && finite(u[i], 1/u[i])):
			return fmt.Errorf("point %d has the uncertainty %v; it must be above 0", i+1, u[i])
		}
	}
	return nil
}

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

// At is the fitted value for a row and its standard uncertainty from the
// coefficients' covariance.
func (f Fit) At(row ...float64) (value, uncertainty float64) {
	variance := 0.0
	for i := range row {
		for j := range row {
			variance += row[i] * f.Covariance[i][j] * row[j]
		}
	}
	return dot(row, f.Coefficients), math.Sqrt(math.Max(0, variance))
}

// Uncertainty is the standard uncertainty of coefficient i.
func (f Fit) Uncertainty(i int) float64 { return math.Sqrt(f.Covariance[i][i]) }

// Widened is the fit with its covariance widened by the scatter where that is
// more than the given uncertainties explain (ResidualSD above 1): a cautious
// reading of points that disagree. It is for fits with u given.
func (f Fit) Widened() Fit {
	if f.ResidualSD > 1 {
		f.scale(f.ResidualSD * f.ResidualSD)
	}
	return f
}

// scale multiplies the covariance, in a copy.
func (f *Fit) scale(by float64) {
	scaled := make([][]float64, len(f.Covariance))
	for i, row := range f.Covariance {
		scaled[i] = make([]float64, len(row))
		for j, v := range row {
			scaled[i][j] = v * by
		}
	}
	f.Covariance = scaled
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}
