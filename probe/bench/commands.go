package bench

import (
	"slices"
	"strconv"
	"strings"
)

// A code is an error number of SCPI-1999. Zero is none.
type code int

// The errors that the emulated instruments report.
const (
	syntaxError           code = -102
	dataTypeError         code = -104
	parameterNotAllowed   code = -108
	missingParameter      code = -109
	undefinedHeader       code = -113
	suffixNotAllowed      code = -138
	initIgnored           code = -213
	settingsConflict      code = -221
	dataOutOfRange        code = -222
	illegalParameterValue code = -224
	dataStale             code = -230
	queueOverflow         code = -350
)

var errorTexts = map[code]string{
	0:                     "No error",
	syntaxError:           "Syntax error",
	dataTypeError:         "Data type error",
	parameterNotAllowed:   "Parameter not allowed",
	missingParameter:      "Missing parameter",
	undefinedHeader:       "Undefined header",
	suffixNotAllowed:      "Suffix not allowed",
	initIgnored:           "Init ignored",
	settingsConflict:      "Settings conflict",
	dataOutOfRange:        "Data out of range",
	illegalParameterValue: "Illegal parameter value",
	dataStale:             "Data corrupt or stale",
	queueOverflow:         "Queue overflow",
}

// isCommandError is true for the errors after which the rest of a message is
// not trusted.
func (c code) isCommandError() bool { return c <= -100 && c > -200 }

// A command is one thing that an instrument understands. Its pattern is
// written as manuals write it: capitals are the short form, square brackets
// hold what may be left out, a question mark ends a query.
type command struct {
	words []word
	query bool
	run   func(arguments []string) (answer string, err code)
}

type word struct {
	short, long string
	optional    bool
}

func define(pattern string, run func(arguments []string) (string, code)) command {
	pattern, query := strings.CutSuffix(pattern, "?")
	return command{words: parsePattern(pattern), query: query, run: run}
}

// parsePattern reads "[SOURce:]VOLTage[:LEVel]". Each bracket holds one word.
func parsePattern(pattern string) (words []word) {
	pattern = strings.NewReplacer("[:", ":[", ":]", "]:").Replace(pattern)
	for _, w := range strings.Split(pattern, ":") {
		name, optional := strings.CutPrefix(w, "[")
		name = strings.TrimSuffix(name, "]")
		if name == "" {
			continue
		}
		short := strings.TrimRight(name, "abcdefghijklmnopqrstuvwxyz")
		words = append(words, word{short: short, long: strings.ToUpper(name), optional: optional})
	}
	return words
}

// matches tells whether the header's words, in capitals, name the command.
func matches(words []word, header []string) bool {
	if len(words) == 0 {
		return len(header) == 0
	}
	first := words[0]
	if len(header) > 0 && (header[0] == first.short || header[0] == first.long) && matches(words[1:], header[1:]) {
		return true
	}
	return first.optional && matches(words[1:], header)
}

// A unit is one part of a message between semicolons.
type unit struct {
	header    []string // words in capitals, without the question mark
	query     bool
	common    bool // starts with a star
	arguments []string
}

// parseUnit reads one unit. A header that starts with no colon goes on from
// the path that the unit before left.
func parseUnit(text string, path []string) (unit, code) {
	header, rest, _ := strings.Cut(strings.TrimSpace(text), " ")
	header, query := strings.CutSuffix(strings.ToUpper(header), "?")
	u := unit{query: query, common: strings.HasPrefix(header, "*")}
	if rooted, ok := strings.CutPrefix(header, ":"); ok {
		header, path = rooted, nil
	}
	if u.common {
		path = nil
	}
	words := strings.Split(header, ":")
	if slices.Contains(words, "") {
		return unit{}, syntaxError
	}
	u.header = append(slices.Clone(path), words...)
	if rest = strings.TrimSpace(rest); rest != "" {
		for a := range strings.SplitSeq(rest, ",") {
			u.arguments = append(u.arguments, strings.TrimSpace(a))
		}
	}
	return u, 0
}

// number reads a numeric parameter; the words MIN, MAX and DEF stand for the values given.
func number(text string, lowest, highest, usual float64) (float64, code) {
	switch strings.ToUpper(text) {
	case "":
		return 0, missingParameter
	case "MIN", "MINIMUM":
		return lowest, 0
	case "MAX", "MAXIMUM":
		return highest, 0
	case "DEF", "DEFAULT":
		return usual, 0
	}
	digits, suffix := text, ""
	if end := strings.IndexFunc(text, func(r rune) bool { return !strings.ContainsRune("+-.0123456789eE", r) }); end >= 0 {
		digits, suffix = text[:end], text[end:]
	}
	value, err := strconv.ParseFloat(digits, 64)
	switch {
	case err != nil:
		return 0, dataTypeError
	case suffix != "":
		return 0, suffixNotAllowed
	case value < lowest || value > highest:
		return 0, dataOutOfRange
	}
	return value, 0
}

// truth reads a Boolean parameter.
func truth(text string) (bool, code) {
	switch strings.ToUpper(text) {
	case "":
		return false, missingParameter
	case "ON", "1":
		return true, 0
	case "OFF", "0":
		return false, 0
	}
	return false, illegalParameterValue
}

// one checks that there is exactly one parameter.
func one(arguments []string) (string, code) {
	switch len(arguments) {
	case 0:
		return "", missingParameter
	case 1:
		return arguments[0], 0
	}
	return "", parameterNotAllowed
}

func digit(on bool) string {
	if on {
		return "1"
	}
	return "0"
}
