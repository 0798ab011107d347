package groundrun

import (
	"math"
	"strings"

	"loomproof/checks/recording"
)

const (
	stepReach = 2.0 // seconds averaged on either side of a load step: whole flashes of a strobe
	leastLoad = 0.8 // A at 14 V: the least step that is looked for
)

// loadCurrent is what the loads draw, by frame: recorded, or the alternator's
// current less the battery's, or, with the alternator idle, what the battery
// gives. NaN where it is not known.
func (a *analysis) loadCurrent(i int) float64 {
	switch {
	case a.by[recording.LoadCurrent] != nil:
		return a.by[recording.LoadCurrent].mean(i)
	case a.battery == nil:
		return math.NaN()
	case a.alternator != nil:
		return a.alternator.mean(i) - a.battery.mean(i)
	case !a.gives[i]:
		return -a.battery.mean(i)
	}
	return math.NaN()
}

// findLoads finds loads that go in and out.
func (a *analysis) findLoads() error {
	if a.battery == nil && a.by[recording.LoadCurrent] == nil {
		a.untold("Loads in and out: need the battery's and the alternator's current, or that of the loads.")
		return nil
	}
	if a.alternator == nil && a.by[recording.LoadCurrent] == nil {
		a.untold("Loads in and out while the alternator delivers: need its current, or that of the loads.")
	}
	load := make([]float64, a.count)
	for i := range load {
		load[i] = a.loadCurrent(i)
		for _, c := range a.cranks {
			if t := a.volts.time(i); t > c.from-0.3 && t < c.to+0.5 {
				load[i] = math.NaN()
			}
		}
	}
	reach := max(2, int(stepReach/a.width))
	change := make([]float64, a.count)
	for i := range change {
		before, after := finite(load[max(0, i-reach):i]), finite(load[min(a.count, i+1):min(a.count, i+1+reach)])
		if len(before) < reach/2 || len(after) < reach/2 {
			continue
		}
		d := median(after) - median(before)
		_, s1 := meanAndSpread(before)
		_, s2 := meanAndSpread(after)
		if math.Abs(d) > math.Max(leastLoad/a.scale, 1.0*math.Hypot(s1, s2)) {
			change[i] = d
		}
	}
	for i := range change {
		if change[i] == 0 || !highest(change, i, reach) {
			continue
		}
		// The edge itself: between the two frames that differ most, near by.
		edge, most := i, 0.0
		for k := max(1, i-reach/2); k <= min(a.count-1, i+reach/2); k++ {
			if d := (load[k] - load[k-1]) * change[i]; d > most {
				edge, most = k, d
			}
		}
		// A load comes at once; what creeps is a battery that fills, or the field.
		if most < 0.5*change[i]*change[i] || a.changesOver(edge, reach) {
			continue
		}
		if err := a.addLoad(edge, change[i], load, reach); err != nil {
			return err
		}
	}
	return nil
}

// highest says that no other change within reach is larger; of equals, the first
// counts.
func highest(x []float64, i, reach int) bool {
	for k := max(0, i-reach); k <= min(len(x)-1, i+reach); k++ {
		if math.Abs(x[k]) > math.Abs(x[i]) || k < i && x[k] == x[i] {
			return false
		}
	}
	return true
}

// addLoad measures what the voltage does after a load step.
func (a *analysis) addLoad(edge int, amperes float64, load []float64, reach int) error {
	at := a.origin + float64(edge)*a.width
	s1, s2 := typical(finite(load[max(0, edge-reach):edge])), typical(finite(load[edge:min(a.count, edge+reach)]))
	step := LoadStep{At: at, Amperes: amperes, U: 2 * math.Hypot(s1, s2) / math.Sqrt(float64(reach)), Marker: a.markerNear(at), charging: a.gives[edge]}
	width := math.Max(0.01, 1/a.volts.rate)
	v, err := a.binned(a.volts, at-1.5, at+3.5, width)
	if err != nil {
		return err
	}
	var before, after []float64
	for i := range v.sum {
		switch t := v.time(i) - at; {
		case math.IsNaN(v.at(i)):
		case t < -0.2:
			before = append(before, v.at(i))
		case t > 2:
			after = append(after, v.at(i))
		}
	}
	if len(before) < 5 || len(after) < 5 {
		return nil
	}
	was, noise := meanAndSpread(before)
	will := median(after)
	step.Shift = will - was
	half := len(before) / 2
	early, _ := meanAndSpread(before[:half])
	late, _ := meanAndSpread(before[half:])
	step.creeps = math.Abs(late-early) > 2*atRest*a.scale*0.65+2*noise/math.Sqrt(float64(half))
	band := math.Max(0.05*a.scale, 3*noise)
	for i := range v.sum {
		t, x := v.time(i)-at, v.at(i)
		if t < -0.2 || t > 2 || math.IsNaN(x) {
			continue
		}
		if math.Abs(x-was) > math.Abs(step.Sag) {
			step.Sag = x - was
		}
		if math.Abs(x-will) > band && t > 0 {
			step.Recovery = t
		}
	}
	a.rep.Loads = append(a.rep.Loads, step)
	return nil
}

// typical is the standard deviation of most of the values, whatever the rest do:
// from the span of the middle half.
func typical(x []float64) float64 { return (quantile(x, 0.75) - quantile(x, 0.25)) / 1.349 }

// changesOver says that the alternator begins or ends to deliver within reach.
func (a *analysis) changesOver(edge, reach int) bool {
	for i := max(1, edge-reach); i < min(a.count, edge+reach); i++ {
		if a.gives[i] != a.gives[i-1] {
			return true
		}
	}
	return false
}

// markerNear is the text of a load marker within a second and a half.
func (a *analysis) markerNear(at float64) string {
	best, text := 1.5, ""
	for _, m := range a.r.Markers() {
		if d := math.Abs(m.At - at); (m.Kind == recording.LoadIn || m.Kind == recording.LoadOut) && d < best {
			best, text = d, strings.TrimSpace(m.Text)
		}
	}
	return text
}
