// Package calibrate compares a source with a reference and says what its readings
// are worth: gain and offset with their covariance, how straight they are, and
// whether the work was worth it.
//
//	p, err := calibrate.Measure(ctx, source, "voltage")   // at each point
//	results, err := calibrate.Fit(points)
//
// # The sums
//
// For each range that has two points or more, the reference values are fitted to
// the readings by a straight line: true = gain × reading + offset (package fit,
// weighted by what each reading leaves open: its scatter, drift and last place).
// Where the points scatter more than that, the covariance is widened by as much.
//
// What the reference itself leaves open is taken as common to all its points: an
// error of a reference does not average out. A deviation of all its values by one
// standard uncertainty each shifts gain and offset by what the same fit makes of
// those deviations, and that shift is added to the covariance (JCGM 100:2008, 5.2.2,
// fully correlated inputs).
package calibrate

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"loomproof/checks/fit"
	"loomproof/checks/units"
	"loomproof/probe"
	"loomproof/probe/sources"
	"loomproof/probe/steady"
)

// A Point is one comparison.
type Point struct {
	sources.Point
	Quantity  probe.Quantity
	FullScale float64        // of the range that it was read on
	Digit     float64        // one step of the last place
	Accuracy  probe.Accuracy // the maker's line there
}

// most is how many readings a point is waited for to come to rest.
const most = 300

// Measure takes readings until they are steady. What a calibration that is in
// force would correct is not corrected here. Refusals, silence and a pulled cable
// are waited out and told to trouble.
func Measure(ctx context.Context, s probe.Source, channel string, trouble func(error)) (Point, error) {
	var d *steady.Detector // made for the size of what is read
	for range most {
		r, err := s.Read(ctx, channel)
		var refused *probe.Refusal
		switch {
		case ctx.Err() != nil:
			return Point{}, context.Cause(ctx)
		case errors.As(err, &refused), errors.Is(err, probe.ErrSilent), errors.Is(err, probe.ErrAway):
			trouble(err)
			d = nil
			continue
		case err != nil:
			return Point{}, err
		}
		accuracy := r.Accuracy
		if r.Correction != nil {
			r.Value, r.Correction = r.Correction.Raw, nil
		}
		if d == nil {
			d = steady.New(steady.Rule{Drift: driftFor(r)})
		}
		sum := d.Add(r)
		if sum.Phase != steady.Steady {
			continue
		}
		noise := sum.Deviation / math.Sqrt(float64(sum.Count))
		return Point{
			Point: sources.Point{
				Reading: sum.Mean, Count: sum.Count,
				ReadingU: math.Sqrt(noise*noise + (sum.Drift*sum.Drift+r.Digit*r.Digit)/12),
			},
			Quantity: r.Quantity, FullScale: r.FullScale, Digit: r.Digit, Accuracy: accuracy,
		}, nil
	}
	return Point{}, fmt.Errorf("%s: %d readings and none at rest; let the reference settle, and see that the leads sit firmly", s.Identity().Name, most)
}

// driftFor is how much a point may drift: a twentieth of what the maker's line
// allows, or 0.01 % where no line is stated (common practice), and at least two
// steps of the last place. What was proven is then in the point's uncertainty.
func driftFor(r probe.Reading) float64 {
	allowed := r.Accuracy.HalfWidth(r.Value, r.Digit, r.FullScale) / 20
	if allowed == 0 {
		allowed = math.Abs(r.Value) * 1e-4
	}
	return max(allowed, 2*r.Digit)
}

// A Result is the calibration of one range.
type Result struct {
	Calibration probe.Calibration
	Points      []Point
	Residuals   []float64 // reference less the corrected reading, at each point
	Notes       []string  // what a person should know of it
}

// Fit makes a calibration of each range that has two points or more. Drift is
// what may move afterwards; it belongs into the comparison with the maker's line.
func Fit(channel string, points []Point, drift probe.Accuracy) ([]Result, error) {
	byRange := map[float64][]Point{}
	var ranges []float64
	for _, p := range points {
		if byRange[p.FullScale] == nil {
			ranges = append(ranges, p.FullScale)
		}
		byRange[p.FullScale] = append(byRange[p.FullScale], p)
	}
	slices.Sort(ranges)
	var results []Result
	var alone []string
	for _, full := range ranges {
		if len(byRange[full]) < 2 {
			alone = append(alone, units.Format(full, points[0].Quantity.Unit()))
			continue
		}
		r, err := fitRange(channel, byRange[full], drift)
		if err != nil {
			return nil, err
		}
		results = append(results, r)
	}
	if len(results) == 0 {
		return nil, fmt.Errorf("a calibration needs two points or more on one range; %d were taken, on %d ranges: hold the source on one range, or take more points on each", len(points), len(ranges))
	}
	if len(alone) > 0 {
		results[0].Notes = append(results[0].Notes, fmt.Sprintf("one point alone on the range up to %v calibrates nothing and was left out", alone))
	}
	return results, nil
}

func fitRange(channel string, points []Point, drift probe.Accuracy) (Result, error) {
	var x, y, u, reference []float64
	for _, p := range points {
		x, y = append(x, p.Reading), append(y, p.Reference)
		u = append(u, math.Max(p.ReadingU, math.Abs(p.Reference)*1e-12+1e-15))
		reference = append(reference, p.ReferenceU)
	}
	if slices.Max(x)-slices.Min(x) < 10*slices.Max(u) {
		return Result{}, fmt.Errorf("all points are at the same reading, %s: take them far apart, near both ends of what you measure", units.Format(x[0], points[0].Quantity.Unit()))
	}
	line, err := fit.Line(x, y, u)
	if err != nil {
		return Result{}, err
	}
	bent := line.Freedom > 0 && line.ResidualSD > straight(line.Freedom)
	wide := line.Widened()
	shift, err := fit.Line(x, reference, u)
	if err != nil {
		return Result{}, err
	}
	variance := func(i, j int) float64 { return wide.Covariance[i][j] + shift.Coefficients[i]*shift.Coefficients[j] }
	c := probe.Calibration{
		Channel: channel, Offset: line.Coefficients[0], Gain: line.Coefficients[1],
		OffsetU: math.Sqrt(variance(0, 0)), GainU: math.Sqrt(variance(1, 1)),
		FullScale: points[0].FullScale, Low: slices.Min(x), High: slices.Max(x), Drift: drift,
	}
	if both := c.OffsetU * c.GainU; both > 0 {
		c.Correlation = max(-1, min(1, variance(0, 1)/both))
	}
	if line.Freedom > 0 {
		c.Residual = math.Sqrt(square(line.Residuals) / float64(line.Freedom))
	}
	r := Result{Calibration: c, Points: points, Residuals: line.Residuals}
	r.judge(bent)
	return r, nil
}

func square(v []float64) (sum float64) {
	for _, x := range v {
		sum += x * x
	}
	return sum
}

// chi95 are the 95 % points of chi-square by degrees of freedom from 1 (NIST/SEMATECH
// e-Handbook of Statistical Methods, 1.3.6.7.4; from memory).
var chi95 = []float64{3.841, 5.991, 7.815, 9.488, 11.070, 12.592, 14.067, 15.507, 16.919, 18.307}

// straight is the largest ratio of the scatter to what the readings leave open
// that a straight line still has in 95 of 100 cases.
func straight(freedom int) float64 {
	if freedom <= len(chi95) {
		return math.Sqrt(chi95[freedom-1] / float64(freedom))
	}
	// Wilson and Hilferty's approximation (from memory), good to 0.1 % above 10.
	f := 2 / (9 * float64(freedom))
	return math.Pow(1-f+1.645*math.Sqrt(f), 1.5)
}

// judge tells what a person should know.
func (r *Result) judge(bent bool) {
	c, unit := r.Calibration, r.Points[0].Quantity.Unit()
	say := func(format string, args ...any) { r.Notes = append(r.Notes, fmt.Sprintf(format, args...)) }
	if bent {
		say("the points do not lie on a straight line: up to %s off it, more than their scatter explains. The source is not linear, a point was misread, or something drifted: look at the residuals and take the points again",
			units.Format(largest(r.Residuals), unit))
	}
	for _, p := range r.Points {
		spec := p.Accuracy.HalfWidth(p.Reading, p.Digit, p.FullScale)
		if spec == 0 {
			continue
		}
		off := math.Abs(c.Gain*p.Reading + c.Offset - p.Reading)
		if u := 2 * c.Uncertainty(p.Reading); off > spec+u {
			say("at %s it reads %s wrong, outside its accuracy line (%s): have it mended or adjusted, or look for a mistake in the comparison", units.Format(p.Reading, unit), units.Format(off, unit), units.Format(spec, unit))
			break
		}
	}
	for _, p := range r.Points {
		raw := probe.Reading{Value: p.Reading, Channel: c.Channel, Digit: p.Digit, FullScale: p.FullScale, Accuracy: p.Accuracy}
		if before, after := raw.Uncertainty(), c.Apply(raw).Uncertainty(); before > 0 && after > before {
			say("at %s the calibrated reading is less certain (± %s, k = 2) than the maker's line says (± %s): this calibration is worse than none there; a better reference would help",
				units.Format(p.Reading, unit), units.Format(2*after, unit), units.Format(2*before, unit))
			break
		}
	}
}

func largest(v []float64) (most float64) {
	for _, x := range v {
		most = max(most, math.Abs(x))
	}
	return most
}
