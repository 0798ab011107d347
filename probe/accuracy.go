package probe

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Accuracy is a source's accuracy line: ±(part of reading + digits + part of
// range), the half-width of a rectangular distribution.
//
// JCGM 100:2008 (GUM) 4.3.7 turns such a line into a standard uncertainty by
// dividing it by √3.
type Accuracy struct {
	OfReading float64 `json:"of_reading"` // part of the reading: 0.005 is 0.5 %
	Digits    float64 `json:"digits"`     // steps of the last place
	OfRange   float64 `json:"of_range"`   // part of full scale
}

// ParseAccuracy reads an accuracy line as manuals print it: "0.5% + 3 digits",
// "0.0045 % of reading + 0.0006 % of range", "1%".
func ParseAccuracy(text string) (Accuracy, error) {
	var a Accuracy
	bad := func(term string) (Accuracy, error) {
		return Accuracy{}, fmt.Errorf("accuracy %q: %q is neither a percentage of the reading or range nor digits; write it like 0.5%% + 3 digits + 0.01%% of range", text, term)
	}
	for _, term := range strings.Split(strings.Trim(strings.TrimSpace(text), "±()"), "+") {
		term = strings.TrimSpace(term)
		end := strings.IndexFunc(term, func(r rune) bool { return !strings.ContainsRune("0123456789.,", r) })
		if end <= 0 {
			return bad(term)
		}
		value, err := strconv.ParseFloat(strings.Replace(term[:end], ",", ".", 1), 64)
		if err != nil || math.IsInf(value, 0) {
			return bad(term)
		}
		switch strings.Join(strings.Fields(term[end:]), " ") {
		case "%", "% of reading", "% reading", "% rdg":
			a.OfReading += value / 100
		case "% of range", "% range":
			a.OfRange += value / 100
		case "digits", "digit", "d", "counts", "count":
			a.Digits += value
		default:
			return bad(term)
		}
	}
	return a, nil
}

// HalfWidth is the largest error that the accuracy line allows for a value,
// in the unit of the value.
func (a Accuracy) HalfWidth(value, digit, fullScale float64) float64 {
	return math.Abs(value)*a.OfReading + a.Digits*digit + a.OfRange*fullScale
}

func (a Accuracy) String() string {
	s := fmt.Sprintf("±(%.4g %% of reading", a.OfReading*100)
	if a.Digits != 0 {
		s += fmt.Sprintf(" + %.4g digits", a.Digits)
	}
	if a.OfRange != 0 {
		s += fmt.Sprintf(" + %.4g %% of range", a.OfRange*100)
	}
	return s + ")"
}
