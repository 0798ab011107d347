package charts

import (
	"math"
	"strconv"
)

// An axis maps values on to places. From and to may stand either way round on
// the page.
type axis struct {
	least, most float64 // values
	from, to    float64 // their places
	log         bool
}

func (a axis) at(v float64) float64 {
	l, m := a.least, a.most
	if a.log {
		l, m, v = math.Log10(l), math.Log10(m), math.Log10(math.Max(v, a.least))
	}
	return a.from + (a.to-a.from)*(v-l)/(m-l)
}

// within keeps a place on the axis.
func (a axis) within(v float64) float64 {
	return a.at(math.Max(a.least, math.Min(a.most, v)))
}

// ticks are round values on the axis, about as many as asked for, and their
// words, all with the same decimals.
func (a axis) ticks(about int) (values []float64, words []string) {
	if a.log {
		return a.decades()
	}
	step := roundStep((a.most - a.least) / float64(max(1, about)))
	decimals := max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	first := math.Ceil(a.least/step - 1e-9)
	for i := range 40 {
		v := (first + float64(i)) * step
		if v > a.most+step*1e-6 {
			break
		}
		if math.Abs(v) < step/2 {
			v = 0
		}
		values, words = append(values, v), append(words, minus(strconv.FormatFloat(v, 'f', decimals, 64)))
	}
	return values, words
}

// roundStep is the next of 1, 2, 5, 10, ... that is not below.
func roundStep(v float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, n := range []float64{1, 2, 5} {
		if v <= n*p*(1+1e-9) {
			return n * p
		}
	}
	return 10 * p
}

func (a axis) decades() (values []float64, words []string) {
	for e := int(math.Ceil(math.Log10(a.least) - 1e-9)); e <= int(math.Floor(math.Log10(a.most)+1e-9)); e++ {
		values, words = append(values, math.Pow(10, float64(e))), append(words, power(e))
	}
	return values, words
}

// power writes a power of ten with the prefix that suits it, without the unit.
func power(e int) string {
	prefixes := map[int]string{-3: " n", -2: " µ", -1: " m", 0: "", 1: " k"}
	third := int(math.Floor(float64(e) / 3))
	prefix, ok := prefixes[third]
	if !ok {
		return "1e" + strconv.Itoa(e)
	}
	return strconv.Itoa(int(math.Round(math.Pow(10, float64(e-3*third))))) + prefix
}

// minus writes a true minus sign.
func minus(s string) string {
	if len(s) > 0 && s[0] == '-' {
		return "−" + s[1:]
	}
	return s
}

// room widens a span of values so that nothing lies on the edge, and a flat one
// so that it is seen to be flat.
func room(least, most, atLeast float64) (float64, float64) {
	if d := most - least; d < atLeast {
		least, most = least-(atLeast-d)/2, most+(atLeast-d)/2
	}
	air := 0.06 * (most - least)
	return least - air, most + air
}

// clock is the axis of time: its words in seconds, or in minutes where it is long.
func clock(a axis) (values []float64, words []string, unit string) {
	if a.most-a.least <= 300 {
		values, words = a.ticks(10)
		return values, words, "s"
	}
	m := axis{least: a.least / 60, most: a.most / 60}
	values, words = m.ticks(10)
	for i := range values {
		values[i] *= 60
	}
	return values, words, "min"
}
