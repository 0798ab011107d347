package keyboard

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"loomproof/probe"
)

// typed is a number as a person typed it.
type typed struct {
	value float64 // in the SI unit
	step  float64 // what one step of the last place is worth, in the SI unit
}

// A misreading is why a line is no number, and what to type instead.
type misreading struct {
	reason probe.Reason
	detail string
	do     string
	above  float64 // of an overload: what the value is above, if that was typed
}

// Value reads a number as a person types it, in the quantity's SI unit: "12,4",
// "540 mV", "4.7k". The refusal says why a line is none, and what to type; one for
// an overload has in Above what was typed behind a ">".
func Value(line string, q probe.Quantity) (float64, *probe.Refusal) {
	v, bad := parse(line, q)
	if bad != nil {
		return 0, &probe.Refusal{Reason: bad.reason, Detail: bad.detail, Do: bad.do, Above: bad.above}
	}
	return v.value, nil
}

// Asked reads an answer to a question for a number in a unit, as Value does where
// the unit is one of a quantity; another unit, as ° or min, is typed without it.
// Of a resistance above tells that it is above the value, as "> 550 M" does; OL
// says above what nobody knows, 0. The error says why a line is none, and what to
// type.
func Asked(line, unit string) (value float64, above bool, err error) {
	q := quantityIn(unit)
	if q == "" {
		v, bad := digits(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(line), unit)), 0)
		switch {
		case bad == nil:
			return v.value, false, nil
		case bad.do == "":
			bad.do = "type digits only, as 45 or 0.85"
		}
		return 0, false, fmt.Errorf("%s; %s", bad.detail, bad.do)
	}
	value, refused := Value(line, q)
	switch {
	case refused == nil:
		return value, false, nil
	case refused.Reason == probe.Overload && q == probe.Resistance:
		return refused.Above, true, nil
	}
	return 0, false, fmt.Errorf("%s: %s; %s", refused.Reason, refused.Detail, refused.Do)
}

// How says how an answer in a unit is typed, in a few words.
func How(unit string) string {
	switch q := quantityIn(unit); {
	case unit == "1":
		return "A number, as 0.85"
	case q == "":
		return "In " + unit + ", as 45"
	case q == probe.Resistance:
		return "In Ω, as 0.4 or 550M; above what it shows, as > 550M"
	}
	return fmt.Sprintf("In %s, as 12.4 or -0.3", unit)
}

// HowShown says how what a meter shows is typed, in a few words.
func HowShown(q probe.Quantity) string {
	if q == probe.Resistance {
		return "All digits that it shows, as 0.4 or 4.7k; OL if it shows OL or a lone 1"
	}
	return "All digits that it shows, with the minus if there is one"
}

// quantityIn is the quantity that a unit is of; "" for one that no meter shows.
func quantityIn(unit string) probe.Quantity {
	for q := range spellings {
		if q.Unit() == unit {
			return q
		}
	}
	return ""
}

// overloads are how meters show that a value is past the range, and how people
// type it, without spaces, points, sign and unit.
var overloads = []string{"ol", "0l", "overload", "over", "overrange", "open", "∞"}

// isOverload tells whether a line says that the value is past the range.
func isOverload(line string, q probe.Quantity) bool {
	bare := strings.ToLower(strings.NewReplacer(" ", "", ".", "", ",", "").Replace(line))
	bare = strings.TrimLeft(bare, "+-−")
	for _, spelling := range spellings[q] {
		if before, is := strings.CutSuffix(bare, spelling); is {
			bare = strings.TrimRight(before, "mk") // of the unit: OL MΩ
			break
		}
	}
	return slices.Contains(overloads, bare)
}

// parse reads a line as a value of the quantity.
func parse(line string, q probe.Quantity) (typed, *misreading) {
	line = strings.TrimSpace(line)
	if isOverload(line, q) {
		return typed{}, overload(line, 0)
	}
	if most, is := strings.CutPrefix(line, ">"); is {
		v, bad := parse(most, q)
		if bad == nil {
			bad = overload(line, max(0, v.value))
		}
		return typed{}, bad
	}
	end := strings.IndexFunc(line, func(r rune) bool { return !strings.ContainsRune("+-−0123456789.,", r) })
	if end < 0 {
		end = len(line)
	}
	number, unit := line[:end], strings.TrimSpace(line[end:])
	exponent, m := scaleOf(unit, q)
	if m != nil && number != "" {
		return typed{}, m
	}
	v, bad := digits(number, exponent)
	if bad != nil && bad.do == "" {
		bad.detail = fmt.Sprintf("%q is no number", line)
		bad.do = fmt.Sprintf("type what the meter shows, as 12.4 or 12.4 %s; OL if it is past the end", q.Unit())
	}
	return v, bad
}

// digits reads a number without its unit, times a power of ten. What to do is
// left open where it is no number at all.
func digits(number string, exponent int) (typed, *misreading) {
	no := &misreading{reason: probe.NotANumber, detail: fmt.Sprintf("%q is no number", number)}
	number = strings.Replace(number, "−", "-", 1)
	if twoWays(number) {
		no.detail = fmt.Sprintf("%q can be read two ways", number)
		no.do = "type " + strings.Replace(number, ",", ".", 1) + " or " + strings.Replace(number, ",", "", 1)
		return typed{}, no
	}
	number = strings.Replace(number, ",", ".", 1)
	_, decimals, _ := strings.Cut(number, ".")
	value, err := strconv.ParseFloat(fmt.Sprintf("%se%d", number, exponent), 64)
	if err != nil || math.IsInf(value, 0) || len(number) > 20 || strings.Trim(number, "+-.0123456789") != "" {
		return typed{}, no
	}
	return typed{value: value, step: math.Pow10(exponent - len(decimals))}, nil
}

func overload(line string, above float64) *misreading {
	return &misreading{reason: probe.Overload, detail: fmt.Sprintf("%q was typed", line), do: "choose a higher range, or touch the point again", above: above}
}

// twoWays tells a comma that may stand for thousands, as in 1,200.
func twoWays(number string) bool {
	whole, rest, found := strings.Cut(strings.TrimLeft(number, "+-"), ",")
	return found && len(rest) == 3 && len(whole) >= 1 && len(whole) <= 3 && whole[0] != '0' && !strings.ContainsAny(rest, ".,")
}

// prefixes of units, by their exponents of ten. A K is a k: nobody types kelvins here.
var prefixes = map[string]int{"": 0, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "k": 3, "K": 3, "M": 6}

// spellings of the units, in small letters.
var spellings = map[probe.Quantity][]string{
	probe.Voltage: {"v", "volt", "volts"}, probe.Current: {"a", "amp", "amps", "ampere", "amperes"},
	probe.Resistance:  {"ω", "ohm", "ohms"}, // ω is what Ω becomes
	probe.Temperature: {"°c", "c", "degc"}, probe.Frequency: {"hz", "hertz"},
}

// scaleOf is the exponent of ten that a unit stands for.
func scaleOf(unit string, q probe.Quantity) (int, *misreading) {
	if e, ok := prefixes[unit]; ok { // "4.7k"
		return e, nil
	}
	bare := unit
	for _, kind := range []string{"DC", "AC", "=", "~"} {
		before, is := strings.CutSuffix(bare, kind)
		if !is {
			continue
		}
		if kind == "AC" || kind == "~" {
			return 0, &misreading{reason: probe.WrongFunction, detail: fmt.Sprintf("%q was typed, which is AC", unit), do: "turn the meter to DC"}
		}
		bare = strings.TrimSpace(before)
	}
	for _, spelling := range spellings[q] {
		if len(bare) < len(spelling) {
			continue
		}
		prefix := bare[:len(bare)-len(spelling)]
		if e, ok := prefixes[strings.TrimSpace(prefix)]; ok && strings.ToLower(bare[len(prefix):]) == spelling {
			return e, nil
		}
	}
	large := "k" + q.Unit()
	if q == probe.Resistance {
		large += ", MΩ"
	}
	return 0, &misreading{
		reason: probe.WrongUnit, detail: fmt.Sprintf("%q was typed where %s is wanted", unit, q.Unit()),
		do: fmt.Sprintf("turn the meter to %s, and type the number with %s, m%[2]s, %s or nothing behind it", q, q.Unit(), large),
	}
}
