package wirelist

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"loomproof/checks/units"
	"loomproof/checks/wire"
)

var (
	quantityText = regexp.MustCompile(`^(?:[~≈]|(?i:ca\.?|approx\.?|about))?\s*([0-9][0-9.,]*|[.,][0-9]+)\s*(.*)$`)
	feetInches   = regexp.MustCompile(`(?i)^(\d+)\s*(?:'|ft\.?|feet|foot)\s*-?\s*(\d+(?:[.,]\d+)?)\s*(?:"|''|in\.?|inch|inches)?$`)
	thousands    = regexp.MustCompile(`^[1-9]\d{0,2}([.,])\d{3}$`)
	straight     = strings.NewReplacer("’", "'", "′", "'", "”", "\"", "″", "\"", "''", "\"", "\u00a0", " ", "\u202f", " ")
)

// numbers are the ways to read a number: 1,250 is 1.25 or 1250.
func numbers(s string) []float64 {
	plain := func(s string) []float64 {
		if v, err := strconv.ParseFloat(s, 64); err == nil {
			return []float64{v}
		}
		return nil
	}
	dot, comma := strings.Count(s, "."), strings.Count(s, ",")
	switch {
	case dot > 0 && comma > 0 && strings.LastIndex(s, ",") > strings.LastIndex(s, "."):
		return plain(strings.ReplaceAll(strings.ReplaceAll(s, ".", ""), ",", "."))
	case dot > 0 && comma > 0:
		return plain(strings.ReplaceAll(s, ",", ""))
	case dot > 1 || comma > 1:
		return plain(strings.NewReplacer(".", "", ",", "").Replace(s))
	}
	out := plain(strings.ReplaceAll(s, ",", "."))
	if thousands.MatchString(s) {
		out = append(out, plain(strings.NewReplacer(".", "", ",", "").Replace(s))...)
	}
	return out
}

// quantity reads a number with a unit; the header's unit is for one without.
// Of the ways to read the number, the one in the range is meant.
func quantity(text, headerUnit, sample string, factors map[string]float64, low, high float64, headerSample string) (value float64, unit string, err error) {
	t := straight.Replace(strings.TrimSpace(text))
	m := quantityText.FindStringSubmatch(t)
	if m == nil {
		return 0, "", fmt.Errorf("%q cannot be read; write it like %s", text, sample)
	}
	unit = headerUnit
	if written := strings.ToLower(strings.Trim(m[2], " .")); written != "" {
		unit = unitWords[written]
		if _, known := factors[unit]; !known {
			return 0, "", fmt.Errorf("%q: the unit %q is not known here; write it like %s", text, m[2], sample)
		}
	}
	factor, ok := factors[unit]
	if !ok {
		return 0, "", fmt.Errorf("%q has no unit; write it like %s, or put the unit in the header: %s", text, sample, headerSample)
	}
	var fit []float64
	all := numbers(m[1])
	for _, v := range all {
		if v*factor >= low && v*factor <= high {
			fit = append(fit, v)
		}
	}
	switch {
	case len(all) == 0:
		return 0, "", fmt.Errorf("%q cannot be read; write it like %s", text, sample)
	case len(fit) == 0:
		return 0, "", fmt.Errorf("%q is outside %s to %s %s", text, shortNumber(low/factor), shortNumber(high/factor), unit)
	case len(fit) > 1:
		return 0, "", fmt.Errorf("%q can be %s or %s; write it without the mark in it", text, shortNumber(fit[0]), shortNumber(fit[1]))
	}
	return fit[0] * factor, unit, nil
}

func shortNumber(v float64) string { return strconv.FormatFloat(v, 'g', 5, 64) }

// readLength reads an installed length in metres, 1 cm to 50 m.
func readLength(text, unit string) (float64, error) {
	if m := feetInches.FindStringSubmatch(straight.Replace(strings.TrimSpace(text))); m != nil {
		feet, _ := strconv.ParseFloat(m[1], 64)
		inches, _ := strconv.ParseFloat(strings.ReplaceAll(m[2], ",", "."), 64)
		v := feet*0.3048 + inches*0.0254
		if v < 0.01 || v > 50 || inches >= 12 {
			return 0, fmt.Errorf("%q is no length between 1 cm and 50 m; write it like 6' 4\"", text)
		}
		return v, nil
	}
	v, _, err := quantity(text, unit, "1.8 m, 6 ft or 72 in", map[string]float64{"m": 1, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254}, 0.01, 50, "Length (ft)")
	return v, err
}

var bareNumber = regexp.MustCompile(`^\d+([.,]\d+)?$|^[1-4]/0$`)

// readGauge reads a wire size.
func readGauge(text, unit string) (wire.Gauge, error) {
	t := strings.TrimSpace(straight.Replace(text))
	if bareNumber.MatchString(t) {
		if unit != "AWG" && unit != "mm²" {
			return wire.Gauge{}, fmt.Errorf("%q has no unit; write it like 22 AWG or 0.35 mm², or put the unit in the header: Gauge (AWG)", text)
		}
		t += " " + unit
	}
	g, err := wire.ParseGauge(strings.ToLower(t))
	if err != nil { // the words are those of the cell
		_, err = wire.ParseGauge(t)
	}
	return g, err
}

var protectorWords = regexp.MustCompile(`(?i)\b(c/?b|circuit breaker|breaker|brkr|fuse|sicherung)\b`)

// readRating reads a protector's rating in amperes, and whether the cell says
// that it is a fuse.
func readRating(text, unit string) (amperes float64, fuse bool, err error) {
	words := strings.ToLower(protectorWords.FindString(text))
	t := strings.TrimSpace(protectorWords.ReplaceAllString(text, " "))
	amperes, _, err = quantity(t, unit, "5 A", map[string]float64{"A": 1}, 0.5, 200, "Breaker (A)")
	return amperes, words == "fuse" || words == "sicherung", err
}

// readDraw reads a load's draw as the design writes it, 2.5 A or 35 W.
func readDraw(text, unit string) (string, error) {
	v, unit, err := quantity(text, unit, "2.5 A or 35 W", map[string]float64{"A": 1, "mA": 0.001, "W": 1}, 0.01, 2000, "Load (A)")
	if err != nil {
		return "", err
	}
	if unit == "W" {
		return shortNumber(v) + " W", nil
	}
	return units.Amperes(v).String(), nil
}
