package keyboard

import (
	"fmt"
	"math"
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
}

// overloads are how meters show that a value is past the range.
var overloads = []string{"ol", "o.l", "0l", "0.l", ".ol", "overload"}

// parse reads a line as a value of the quantity.
func parse(line string, q probe.Quantity) (typed, *misreading) {
	line = strings.TrimSpace(line)
	for _, o := range overloads {
		if strings.EqualFold(line, o) {
			return typed{}, &misreading{probe.Overload, fmt.Sprintf("%q was typed", line), "choose a higher range, or touch the point again"}
		}
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
	number = strings.Replace(number, "−", "-", 1)
	if twoWays(number) {
		return typed{}, &misreading{
			probe.NotANumber, fmt.Sprintf("%q can be read two ways", number),
			"type " + strings.Replace(number, ",", ".", 1) + " or " + strings.Replace(number, ",", "", 1),
		}
	}
	number = strings.Replace(number, ",", ".", 1)
	_, decimals, _ := strings.Cut(number, ".")
	value, err := strconv.ParseFloat(fmt.Sprintf("%se%d", number, exponent), 64)
	if err != nil || math.IsInf(value, 0) || len(number) > 20 {
		return typed{}, &misreading{
			probe.NotANumber, fmt.Sprintf("%q is no number", line),
			fmt.Sprintf("type what the meter shows, as 12.4 or 12.4 %s; OL if it is past the end", q.Unit()),
		}
	}
	return typed{value: value, step: math.Pow10(exponent - len(decimals))}, nil
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
			return 0, &misreading{probe.WrongFunction, fmt.Sprintf("%q was typed, which is AC", unit), "turn the meter to DC"}
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
	return 0, &misreading{
		probe.WrongUnit, fmt.Sprintf("%q was typed where %s is wanted", unit, q.Unit()),
		fmt.Sprintf("turn the meter to %s, and type the number with %s, m%[2]s, k%[2]s or nothing behind it", q, q.Unit()),
	}
}
