package wirelist

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// kind says what an end of a wire is.
type kind int

const (
	nothing kind = iota
	aBus
	aSource
	aGround
	aContact
	aProtector
	aSwitch
	aSplice
	aLoad
)

// An end is one end of a wire, as its name was understood.
type end struct {
	kind      kind
	written   string
	name      string // what it is called, without pin and sign
	pin       string // pin, as "4"; of a contact always a number
	sign      string // "+", "-" or unknown
	side      string // "in", "out" or unknown: of a switch or protector
	contactor bool
	fuse      bool
	lettered  string // the contact's letter, where the list has letters
	generic   bool   // "CB": there is one in each circuit
	rating    string // "5 A", if the name says so
}

// key tells whether two ends are on the same thing; empty for what is the same
// thing to no other row.
func (e end) key() string {
	if e.generic || e.kind == nothing {
		return ""
	}
	name := strings.ToLower(e.name)
	if e.kind == aContact {
		name = name[1:] + "." + e.pin // J1 and P1 mate
	}
	return strconv.Itoa(int(e.kind)) + ":" + name
}

var (
	contactName  = regexp.MustCompile(`^([JP])[ -]?(\d{1,3})(?:\s*[-./: (]\s*(?:PIN|CONTACT|#)?\s*([A-Z]|\d{1,4})\)?)?$`)
	numbered     = regexp.MustCompile(`^(SW|S|CB|F|CR|K)[ -]?(\d{1,3})(?:\s*[-./: ]\s*([A-Z0-9]{1,4}))?$`)
	pinned       = regexp.MustCompile(`^(.*\S)\s*(?:[.:/]|\s(?:PIN|CONTACT|TERMINAL)\s?)\s*([A-Z]|\d{1,3})$`)
	ratingIn     = regexp.MustCompile(`(\d+(?:[.,]\d+)?)\s?(?:AMPS?|A)\b`)
	groundNumber = regexp.MustCompile(`^(G|GND|GRD)-?\d{1,3}[A-Z]?$`)
	spliceNumber = regexp.MustCompile(`^(SP|TB)-?\d{1,3}([-.]\d{1,3})?$`)
	busNumber    = regexp.MustCompile(`^BUS-?\d{1,2}$`)
)

var words = map[string][]string{
	"coil":       {"COIL", "SPULE"},
	"protector":  {"CB", "BREAKER", "BRKR", "FUSE", "FUSEBLOCK", "FUSEBOX", "SICHERUNG", "AUTOMAT"},
	"fuse":       {"FUSE", "FUSEBLOCK", "FUSEBOX", "SICHERUNG"},
	"contactor":  {"CONTACTOR", "RELAY", "SOLENOID", "RELAIS"},
	"switch":     {"SW", "SWITCH", "SCHALTER", "MASTER"},
	"ground":     {"GND", "GROUND", "GRD", "EARTH", "MASSE", "AIRFRAME", "CHASSIS"},
	"bus":        {"BUS", "BUSBAR", "SAMMELSCHIENE"},
	"splice":     {"SPLICE", "JUNCTION", "TB"},
	"battery":    {"BAT", "BATT", "BATTERY", "BATTERIE", "AKKU"},
	"alternator": {"ALT", "ALTERNATOR", "GENERATOR", "LICHTMASCHINE"},
	"plus":       {"PLUS", "POS", "POSITIVE", "PWR", "POWER", "SUPPLY"},
	"minus":      {"MINUS", "NEG", "NEGATIVE", "RETURN", "RTN", "GND", "GROUND", "GRD", "EARTH", "MASSE"},
	"field":      {"FIELD", "FLD", "REG", "REGULATOR", "SENSE", "WARN", "WARNING", "LIGHT", "LAMP"},
	// where a ground point may be, so that ENGINE GROUND is one and RADIO GND is not
	"place": {
		"ENGINE", "PANEL", "FRAME", "FIREWALL", "FUSELAGE", "BLOCK", "BUS", "POINT", "STUD", "LUG", "BAR", "MAIN", "AVIONICS", "TAIL", "NOSE", "MAST",
		"WING", "LEFT", "RIGHT", "L", "R", "LOCAL", "COMMON", "STAR", "BATTERY", "BATT", "BAY", "MOTOR", "TRAY", "REAR", "FRONT", "AFT",
	},
}

// classify says what an end is by its name; pin is the cell of the pin beside
// it, if there is one.
func classify(text, pinCell string) (end, error) {
	e := end{written: oneLine(text), pin: strings.ToUpper(oneLine(pinCell))}
	t := strings.ToUpper(strings.ReplaceAll(e.written, "_", " "))
	t = strings.TrimSpace(strings.NewReplacer("(+)", "+", "(-)", "-", "−", "-", "–", "-").Replace(t))
	if m := contactName.FindStringSubmatch(t); m != nil {
		return e.contact(m[1]+m[2], m[3])
	}
	t = e.takeSign(t)
	if m := ratingIn.FindStringSubmatch(t); m != nil {
		e.rating = m[1] + " A"
	}
	if m := numbered.FindStringSubmatch(t); m != nil {
		e.name = m[1] + m[2]
		e.setPin(m[3])
		e.kind = aSwitch
		e.fuse = m[1] == "F"
		if m[1] == "CB" || m[1] == "F" {
			e.kind = aProtector
		}
		e.contactor = m[1] == "CR" || m[1] == "K"
		return e, nil
	}
	if m := pinned.FindStringSubmatch(t); m != nil && e.pin == "" {
		t = m[1]
		e.setPin(m[2])
	}
	return e.byWords(t)
}

func (e end) contact(connector, contact string) (end, error) {
	e.kind, e.name = aContact, connector
	if contact == "" {
		contact = e.pin
	}
	if len(contact) == 1 && contact[0] >= 'A' && contact[0] <= 'Z' {
		e.lettered = contact
		contact = strconv.Itoa(int(contact[0]-'A') + 1) // the design numbers contacts
	}
	n, err := strconv.Atoi(contact)
	switch {
	case contact == "":
		return e, fmt.Errorf("%q: which contact? Write it like %s-3", e.written, connector)
	case err != nil || n < 1 || n > 200:
		return e, fmt.Errorf("%q: contact %q is not 1 to 200; write it like %s-3", e.written, contact, connector)
	}
	e.pin = strconv.Itoa(n)
	return e, nil
}

// takeSign notes a + or - at the end of a name.
func (e *end) takeSign(t string) string {
	for _, sign := range []string{"+", "-"} {
		if rest, ok := strings.CutSuffix(t, sign); ok && rest != "" {
			e.sign = sign
			return strings.TrimRight(rest, " .-")
		}
	}
	return t
}

func (e *end) setPin(pin string) {
	switch pin {
	case "":
	case "IN", "LINE":
		e.side = "in"
	case "OUT", "LOAD":
		e.side = "out"
	default:
		e.pin = pin
	}
}

func (e end) byWords(t string) (end, error) {
	all := strings.FieldsFunc(t, func(r rune) bool { return strings.ContainsRune(" ,;()[]/", r) })
	if len(all) == 0 {
		return e, fmt.Errorf("%q names nothing; write what the wire ends at, like RADIO, G1, J1-3 or MAIN BUS", e.written)
	}
	has := func(what string) bool {
		return slices.ContainsFunc(all, func(w string) bool { return slices.Contains(words[what], w) })
	}
	without := func(what ...string) (rest []string) {
		for _, w := range all {
			if !slices.ContainsFunc(what, func(k string) bool { return slices.Contains(words[k], w) }) {
				rest = append(rest, w)
			}
		}
		return rest
	}
	plain := without("plus", "minus")
	if e.sign == "" && len(plain) > 0 {
		switch {
		case has("minus"):
			e.sign = "-"
		case has("plus"):
			e.sign = "+"
		}
	}
	e.name = strings.Join(all, " ")
	switch {
	case has("coil"), has("alternator") && has("field"):
		e.kind = aLoad
	case has("protector"):
		e.kind, e.fuse = aProtector, has("fuse")
		e.takeSide(all)
		e.generic = len(ratingIn.ReplaceAllString(strings.Join(without("protector"), ""), "")) == 0
	case has("contactor"):
		e.kind, e.contactor = aSwitch, true
		e.takeSide(all)
		e.generic = len(without("contactor")) == 0
	case isGround(all, without):
		e.kind = aGround
	case has("bus"), busNumber.MatchString(t), slices.Contains([]string{"MAIN", "AVIONICS", "ESSENTIAL"}, t):
		e.kind = aBus
		if e.name = strings.Join(without("bus"), " "); e.name == "" {
			e.name = "MAIN"
		}
	case has("switch"):
		e.kind = aSwitch
		e.takeSide(all)
		e.generic = len(without("switch")) == 0 && !slices.Contains(all, "MASTER")
	case has("splice"), spliceNumber.MatchString(t):
		e.kind = aSplice
		e.generic = len(without("splice")) == 0 && e.pin == ""
		if e.pin != "" {
			e.name += "-" + e.pin
		}
	case has("battery"):
		e.kind, e.name = aSource, strings.Join(append([]string{"BATTERY"}, digits(all)...), "-")
	case has("alternator"):
		e.kind, e.name = aSource, strings.Join(append([]string{"ALTERNATOR"}, digits(all)...), "-")
	default:
		e.kind = aLoad
		if len(plain) > 0 {
			e.name = strings.Join(plain, " ")
		}
	}
	return e, nil
}

// takeSide notes IN and OUT at the end of a name.
func (e *end) takeSide(all []string) {
	switch last := all[len(all)-1]; {
	case len(all) > 1 && last == "IN":
		e.side = "in"
	case len(all) > 1 && last == "OUT":
		e.side = "out"
	default:
		return
	}
	e.name = strings.Join(all[:len(all)-1], " ")
}

// isGround tells a ground point from a load's minus: it begins with the word, or
// the other words say a place.
func isGround(all []string, without func(...string) []string) bool {
	if slices.Contains(all, "POWER") {
		return false
	}
	if groundNumber.MatchString(all[0]) || slices.Contains(words["ground"], all[0]) {
		return true
	}
	rest := without("ground", "place")
	return len(rest) == 0 && len(without("ground")) < len(all) || len(rest) == 1 && len(all) > 1 && groundNumber.MatchString(rest[0])
}

func digits(all []string) (out []string) {
	for _, w := range all {
		if _, err := strconv.Atoi(w); err == nil {
			out = append(out, w)
		}
	}
	return out
}
