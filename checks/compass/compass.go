// Package compass finds what pulls a magnetic compass, and makes the deviation
// card.
//
//	f, err := compass.Solve(sightings, 1)    // degrees; u = 1° for each
//	f.A, f.B, f.C, f.D, f.E                  // coefficients
//	f.Deviation(90)                          // at compass heading 90°
//	card := f.Card(30)                       // for each heading: steer
//
// # Signs
//
// All angles are degrees. Deviation is magnetic heading minus compass heading:
// positive is easterly. Some handbooks turn that round and tell the compass's
// error, which is compass minus magnetic.
//
// # The model
//
// deviation = A + B sin H + C cos H + D sin 2H + E cos 2H, H the compass heading:
// A is how far the lubber line is off, B and C what magnets along and across the
// aircraft do, D and E what soft iron does. Five coefficients need five headings
// at least; eight leave a remainder that tells whether the model holds.
package compass

import (
	"errors"
	"fmt"
	"math"

	"loomproof/checks/fit"
	"loomproof/checks/wire"
)

// A Sighting is one heading: where the aircraft really points, by a surveyed
// line or a landing compass, and what its compass shows. Degrees, magnetic.
type Sighting struct{ Magnetic, Compass float64 }

// Deviation is magnetic minus compass, -180° to 180°.
func (s Sighting) Deviation() float64 { return turn(s.Magnetic - s.Compass) }

// turn brings an angle into -180° to 180°.
func turn(degrees float64) float64 {
	d := math.Mod(degrees, 360)
	switch {
	case d > 180:
		return d - 360
	case d <= -180:
		return d + 360
	}
	return d
}

// Coefficients of deviation, in degrees.
type Coefficients struct{ A, B, C, D, E float64 }

// A Fit is the coefficients found, with what they leave over.
type Fit struct {
	Coefficients
	U         Coefficients // standard uncertainty of each
	Remainder []float64    // of each sighting: its deviation less the fitted one

	fit fit.Fit
}

// fewest is how many sightings the coefficients need.
const fewest = 5

// Solve fits the coefficients by least squares to sightings of a standard
// uncertainty u in degrees, above 0. Errors: fewer than five sightings, headings
// too much alike to tell the coefficients apart, numbers that are none.
func Solve(sightings []Sighting, u float64) (*Fit, error) {
	if len(sightings) < fewest {
		return nil, fmt.Errorf("%d headings are too few: five at least, eight are usual", len(sightings))
	}
	var rows [][]float64
	var deviations, weights []float64
	for _, s := range sightings {
		rows = append(rows, row(s.Compass))
		deviations = append(deviations, s.Deviation())
		weights = append(weights, u)
	}
	f, err := fit.Linear(rows, deviations, weights)
	if errors.Is(err, fit.ErrDependent) {
		return nil, errors.New("the headings are too much alike: spread them over the whole circle, 45° apart")
	}
	if err != nil {
		return nil, fmt.Errorf("compass: %w", err)
	}
	c := f.Coefficients
	return &Fit{
		Coefficients: Coefficients{c[0], c[1], c[2], c[3], c[4]},
		U:            Coefficients{f.Uncertainty(0), f.Uncertainty(1), f.Uncertainty(2), f.Uncertainty(3), f.Uncertainty(4)},
		Remainder:    f.Residuals, fit: f,
	}, nil
}

func row(heading float64) []float64 {
	h := heading * math.Pi / 180
	return []float64{1, math.Sin(h), math.Cos(h), math.Sin(2 * h), math.Cos(2 * h)}
}

// Deviation is the fitted deviation at a compass heading.
func (c Coefficients) Deviation(heading float64) float64 {
	r := row(heading)
	return c.A + c.B*r[1] + c.C*r[2] + c.D*r[3] + c.E*r[4]
}

// At is the fitted deviation at a compass heading with its standard uncertainty.
func (f *Fit) At(heading float64) (deviation, u float64) { return f.fit.At(row(heading)...) }

// Worst is the heading, to a degree, at which the deviation is largest either
// way, and the deviation there.
func (c Coefficients) Worst() (heading, deviation float64) {
	for h := range 360 {
		if d := c.Deviation(float64(h)); math.Abs(d) > math.Abs(deviation) {
			heading, deviation = float64(h), d
		}
	}
	return heading, deviation
}

// Steer is the compass heading to steer for a magnetic one.
func (c Coefficients) Steer(magnetic float64) float64 {
	h := magnetic
	for range 50 {
		h = magnetic - c.Deviation(h)
	}
	return math.Mod(h+720, 360)
}

// A Row is one line of a deviation card.
type Row struct{ For, Steer float64 }

// Card is the deviation card: what to steer for each magnetic heading, every so
// many degrees. 14 CFR 27.1547 asks for steps of 45° at most; 30° is
// shop practice.
func (c Coefficients) Card(every float64) []Row {
	var out []Row
	for h := 0.0; h < 359.5; h += every {
		out = append(out, Row{h, c.Steer(h)})
	}
	return out
}

// Most is the largest deviation in degrees that a compensated compass may have
// on any heading, and MostRule the rule. A compass that passes it because of
// electric loads must be placarded, if another direction source is fitted.
const Most = 10.0

// The rules.
var (
	MostRule = wire.Citation{Text: "14 CFR 27.1327: 10° on any heading", Status: wire.Verified}
	// PullRule goes with Pull.
	PullRule = wire.Citation{Text: "change of deviation by the loads", Status: wire.CommonPractice}
)

// Pull is the largest change of deviation in degrees, by switching loads, that
// needs no word on the card: it hides in the reading of a compass in flight.
// Common practice; no published source.
const Pull = 3.0
