package wirelist

import (
	"regexp"
	"slices"
	"strings"
)

// A column is what a column of the list holds.
type column int

const (
	unused column = iota
	number
	circuitName
	from
	fromPin
	to
	toPin
	gauge
	length
	breakerRating
	fuseRating
	load
	bundle
	busName
	pin // becomes fromPin or toPin by what stands left of it
)

// synonyms are the headers that people write, in English and German, in small
// letters and without punctuation and unit.
var synonyms = map[column][]string{
	number: {
		"wire", "wire no", "wire nr", "wire number", "wire id", "wire label", "wire tag", "no", "nr", "id", "number", "label", "tag", "#", "wire #",
		"leitung", "leitung nr", "leitungsnummer", "ader", "kabel", "kabel nr",
	},
	circuitName: {"circuit", "circuit name", "system", "function", "service", "net", "signal", "stromkreis", "kreis", "funktion"},
	from: {
		"from", "from end", "from device", "from component", "from terminal", "from point", "start", "origin", "source", "begin", "end a", "end 1",
		"von", "anfang", "quelle",
	},
	to: {
		"to", "to end", "to device", "to component", "to terminal", "to point", "end", "destination", "dest", "target", "end b", "end 2",
		"nach", "bis", "zu", "ziel", "ende",
	},
	fromPin:       {"from pin", "from contact", "pin from", "start pin", "von pin", "pin von", "pin a", "pin 1"},
	toPin:         {"to pin", "to contact", "pin to", "end pin", "nach pin", "pin nach", "pin b", "pin 2"},
	pin:           {"pin", "pin no", "pin nr", "contact", "terminal", "kontakt", "klemme"},
	gauge:         {"gauge", "size", "wire size", "wire gauge", "ga", "awg", "wire awg", "cross section", "section", "area", "mm2", "querschnitt"},
	length:        {"length", "len", "wire length", "run length", "installed length", "feet", "ft", "inches", "in", "metres", "meters", "m", "cm", "mm", "länge", "laenge"},
	breakerRating: {"breaker", "circuit breaker", "cb", "cb rating", "cb size", "breaker rating", "breaker size", "protection", "protector", "sicherungsautomat", "automat"},
	fuseRating:    {"fuse", "fuse rating", "fuse size", "sicherung", "schmelzsicherung"},
	load:          {"load", "draw", "current", "load current", "current draw", "consumption", "power", "last", "strom", "verbrauch", "leistung"},
	bundle:        {"bundle", "harness", "loom", "group", "route", "routing", "strang", "bündel", "kabelbaum"},
	busName:       {"bus", "supply bus", "fed from", "feed", "sammelschiene"},
}

// unitWords are the units of a header, as the cells' own would be written.
var unitWords = map[string]string{
	"ft": "ft", "feet": "ft", "foot": "ft", "'": "ft", "in": "in", "inch": "in", "inches": "in", "\"": "in",
	"m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m", "cm": "cm", "mm": "mm",
	"awg": "AWG", "mm2": "mm²", "mm^2": "mm²", "sqmm": "mm²", "qmm": "mm²",
	"a": "A", "amp": "A", "amps": "A", "ampere": "A", "amperes": "A", "ma": "mA", "w": "W", "watt": "W", "watts": "W",
}

// A heading is one column of the list.
type heading struct {
	column column
	name   string // as written
	unit   string // that its numbers have, if it says
}

var bracketed = regexp.MustCompile(`[(\[]([^)\]]*)[)\]]`)

// readHeading says what a header cell means.
func readHeading(text string) heading {
	h := heading{name: oneLine(text)}
	words := strings.ToLower(strings.ReplaceAll(h.name, "²", "2"))
	if m := bracketed.FindStringSubmatch(words); m != nil {
		h.unit = unitWords[strings.Trim(m[1], " .")]
		words = bracketed.ReplaceAllString(words, " ")
	}
	words = strings.Join(strings.FieldsFunc(words, func(r rune) bool { return strings.ContainsRune(" .,:;_-/*", r) }), " ")
	h.column = lookUp(words)
	if cut := strings.LastIndex(words, " "); h.column == unused && cut > 0 {
		if unit, ok := unitWords[words[cut+1:]]; ok { // "length ft", "length in m"
			h.unit, h.column = unit, lookUp(strings.TrimSuffix(words[:cut], " in"))
		}
	}
	if unit, ok := unitWords[words]; ok && h.unit == "" && (h.column == gauge || h.column == length) {
		h.unit = unit // the unit is the header
	}
	return h
}

func lookUp(words string) column {
	for c, names := range synonyms {
		if slices.Contains(names, words) {
			return c
		}
	}
	return unused
}

// readHeader says what the columns are; ok tells whether the row is a header,
// which it is if it has a column for each end.
func readHeader(r record) (out []heading, ok bool) {
	seen := map[column]bool{}
	last := unused
	for _, c := range r {
		h := readHeading(c.text)
		switch {
		case h.column == pin && last == from && !seen[fromPin]:
			h.column = fromPin
		case h.column == pin && last == to && !seen[toPin]:
			h.column = toPin
		case h.column == pin || seen[h.column]:
			h.column = unused // a second one is kept in the comment only
		}
		seen[h.column] = true
		last = h.column
		out = append(out, h)
	}
	return out, seen[from] && seen[to]
}

// findHeader looks for the header under each separator.
func findHeader(text string) (rows []record, header int, headings []heading) {
	for _, s := range separators {
		rows = split(text, s)
		for i, r := range rows {
			if h, ok := readHeader(r); ok {
				return rows, i, h
			}
		}
	}
	return nil, -1, nil
}
