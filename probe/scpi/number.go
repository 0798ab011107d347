package scpi

import (
	"errors"
	"strconv"
)

// Values that stand for no value (SCPI-1999, numeric data; read in the manuals
// of several makers).
const (
	infinity  = 9.9e37
	notNumber = 9.91e37
)

// A shape is how a number is written, without its digits. A character lost on
// the way changes it.
type shape struct {
	signed                  bool
	whole, decimals         uint8
	point, scaled, scaleSig bool
	scaleDigits             uint8
}

// A number is a decimal number as an instrument sent it.
type number struct {
	value float64
	step  float64 // what one step of the last place is worth
	shape shape
}

var errNotDecimal = errors.New("not a decimal number")

// parseNumber reads an NRf number of IEEE 488.2: NR1 "+12", NR2 "12.5", NR3
// "+1.25E+01". Spaces around it are allowed, and around the E, as 488.2 allows
// a listener. Limits: 255 digits, exponent 32000 (IEEE 488.2).
func parseNumber(text string) (number, error) {
	text = trimSpaces(text)
	var n number
	rest := text
	rest, n.shape.signed = cutSign(rest)
	whole := countDigits(rest)
	rest = rest[whole:]
	decimals := 0
	if len(rest) > 0 && rest[0] == '.' {
		n.shape.point = true
		decimals = countDigits(rest[1:])
		rest = rest[1+decimals:]
	}
	if whole+decimals == 0 || whole+decimals > 255 {
		return number{}, errNotDecimal
	}
	n.shape.whole, n.shape.decimals = uint8(whole), uint8(decimals)

	mantissa := text[:len(text)-len(rest)]
	exponent := 0
	if rest = trimSpaces(rest); rest != "" {
		var ok bool
		if exponent, ok = n.shape.readScale(rest); !ok {
			return number{}, errNotDecimal
		}
	}
	if hasSpace(text) { // rare, and the only way that costs an allocation
		text = mantissa + "E" + strconv.Itoa(exponent)
	}
	var err error
	if n.value, err = strconv.ParseFloat(text, 64); err != nil {
		return number{}, errNotDecimal // too large for a float64: no instrument means that
	}
	n.step = powerOfTen(exponent - decimals)
	return n, nil
}

// readScale reads "E+01".
func (s *shape) readScale(text string) (exponent int, ok bool) {
	if text[0] != 'E' && text[0] != 'e' {
		return 0, false
	}
	digits := trimSpaces(text[1:])
	negative := len(digits) > 0 && digits[0] == '-'
	digits, s.scaleSig = cutSign(digits)
	if digits == "" || len(digits) > 5 || countDigits(digits) != len(digits) {
		return 0, false
	}
	for i := range len(digits) {
		exponent = exponent*10 + int(digits[i]-'0')
	}
	s.scaled, s.scaleDigits = true, uint8(len(digits))
	if negative {
		exponent = -exponent
	}
	return exponent, exponent >= -32000 && exponent <= 32000
}

func cutSign(text string) (rest string, signed bool) {
	if len(text) > 0 && (text[0] == '+' || text[0] == '-') {
		return text[1:], true
	}
	return text, false
}

func countDigits(text string) int {
	for i := range len(text) {
		if text[i] < '0' || text[i] > '9' {
			return i
		}
	}
	return len(text)
}

func trimSpaces(text string) string {
	for len(text) > 0 && text[0] == ' ' {
		text = text[1:]
	}
	for len(text) > 0 && text[len(text)-1] == ' ' {
		text = text[:len(text)-1]
	}
	return text
}

func hasSpace(text string) bool {
	for i := range len(text) {
		if text[i] == ' ' {
			return true
		}
	}
	return false
}

// powersOfTen are the steps that instruments use, exact to the last bit.
var powersOfTen = [...]float64{
	1e-15, 1e-14, 1e-13, 1e-12, 1e-11, 1e-10, 1e-9, 1e-8, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 1e-1,
	1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
}

func powerOfTen(n int) float64 {
	if n >= -15 && n <= 15 {
		return powersOfTen[n+15]
	}
	p, err := strconv.ParseFloat("1E"+strconv.Itoa(n), 64)
	if err != nil {
		return 0
	}
	return p
}
