package wirelist

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"loomproof/checks/wire"
)

// plainName is what needs no quotes in YAML.
var plainName = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_.+-]*$`)

func quote(s string) string {
	if plainName.MatchString(s) && !reserved[strings.ToLower(s)] {
		return s
	}
	return strconv.Quote(oneLine(s))
}

// reserved are words that YAML takes for something else than a name.
var reserved = map[string]bool{"null": true, "true": true, "false": true, "yes": true, "no": true, "on": true, "off": true, "y": true, "n": true}

const mark = "CHECK THIS"

// writer writes YAML with comments.
type writer struct{ strings.Builder }

func (w *writer) line(format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) }

// checked writes a line and, behind it, what to look at.
func (w *writer) checked(line string, checks ...string) {
	said := ""
	for _, c := range checks {
		if c != "" {
			said += "; " + oneLine(c)
		}
	}
	if said != "" {
		line += "  # " + mark + ": " + said[2:]
	}
	w.line("%s", line)
}

// write writes the design.
func (b *builder) write(o Options) []byte {
	w := &writer{}
	w.line("# Made from the wire list %s.", oneLine(b.file))
	w.line("# Every row of the list stands here in a comment. What the list does not say is")
	w.line("# marked %s: put in what is true, then take the mark out.", mark)
	w.line("loomproof: 1\n")
	w.line("aircraft:\n  name: %s\n  nominal: %v\n", strconv.Quote(cmp.Or(oneLine(o.Name), "My aircraft")), o.Nominal)
	b.writeSources(w, float64(o.Nominal)/14)
	w.line("\nbuses:")
	for _, n := range b.buses {
		b.writeNamed(w, n, fmt.Sprintf("{title: %s}", strconv.Quote(b.title(n))))
	}
	w.line("\ngrounds:")
	for _, n := range b.grounds {
		b.writeNamed(w, n, fmt.Sprintf("{where: %s, ways: 20}", strconv.Quote(b.title(n)+", where?")))
	}
	if len(b.splices) > 0 {
		w.line("\nsplices:")
	}
	for _, n := range b.splices {
		b.writeNamed(w, n, fmt.Sprintf("{where: %s}", strconv.Quote(b.title(n)+", where?")))
	}
	if len(b.receptacle) > 0 {
		w.line("\nconnectors:")
	}
	for _, n := range b.receptacle {
		w.checked(fmt.Sprintf("  %s: {plug: P%s, pins: %d}", n, n[1:], b.connectors[n]), "how many contacts it has; the list uses up to "+strconv.Itoa(b.connectors[n]))
	}
	b.writeCircuits(w, "feeders", true)
	b.writeCircuits(w, "circuits", false)
	b.writeKept(w)
	return []byte(w.String())
}

func (b *builder) title(name string) string { return cmp.Or(oneLine(b.titles[name]), name) }

func (b *builder) writeNamed(w *writer, name, what string) {
	check := ""
	if b.titles[name] == "not in the list" {
		check = "not in the list"
	}
	w.checked(fmt.Sprintf("  %s: %s", quote(name), what), check)
}

// writeSources writes the sources, with values of no battery in particular.
func (b *builder) writeSources(w *writer, scale float64) {
	volts := func(v float64) string { return shortNumber(v*scale) + " V" }
	w.line("sources:")
	for _, n := range b.sources {
		if strings.HasPrefix(n, "alternator") {
			w.checked("  "+quote(n)+": {kind: alternator, volts: "+volts(14.2)+", resistance: 10 mΩ, limit: 20 A}", "all its values, from its data sheet")
			continue
		}
		w.checked("  "+quote(n)+": {kind: battery, volts: "+volts(12.8)+", resistance: 20 mΩ, capacity: 10 Ah}", "all its values, from its data sheet")
	}
	w.line("  # The bench supply stands in for the battery on the first power-on.")
	w.checked("  supply: {kind: bench supply, volts: "+volts(13.8)+", resistance: 5 mΩ, limit: 10 A, plus: "+b.battery()+"+, minus: "+b.battery()+"-}", "its limit, and where it is clipped")
}

func (b *builder) writeCircuits(w *writer, section string, feeders bool) {
	n := 0
	for _, c := range b.circuits {
		if b.isFeeder(c) != feeders || len(c.rows)+len(c.runs) == 0 && c.parent == nil {
			continue
		}
		if n == 0 {
			w.line("\n%s:", section)
		}
		n++
		b.writeCircuit(w, c)
	}
	if n == 0 && !feeders {
		w.line("\n%s: {}  # %s: no row of the list ends at a load", section, mark)
	}
}

func (b *builder) isFeeder(c *circuit) bool {
	if c.parent != nil {
		return b.isFeeder(c.parent)
	}
	return c.feeder
}

func (b *builder) writeCircuit(w *writer, c *circuit) {
	w.line("  %s:", quote(c.name))
	w.checked("    title: "+strconv.Quote(oneLine(c.title)), c.checks["load"])
	bus := c.bus
	if c.parent != nil {
		bus = c.parent.bus
	}
	if bus != "" {
		w.checked("    bus: "+quote(bus), c.checks["bus"])
	}
	if c.rating != "" && c.bus != "" {
		what := "breaker"
		if c.fuse {
			what = "fuse"
		}
		label := ""
		if c.protector != nil {
			label = ", label: " + strconv.Quote(oneLine(c.protector.written))
		}
		w.checked(fmt.Sprintf("    %s: {rating: %s%s}", what, c.rating, label), c.checks["rating"])
	}
	if c.swtch != nil {
		kind := ""
		if c.swtch.contactor {
			kind = "kind: contactor, "
		}
		w.line("    switch: {%slabel: %s}", kind, strconv.Quote(oneLine(c.swtch.written)))
	}
	if c.load != nil {
		kind, why := loadKind(c)
		w.checked(fmt.Sprintf("    load: {kind: %s, draw: %s}", kind, c.draw), why, c.checks["draw"])
	}
	if len(c.runs) > 0 {
		w.line("    runs:")
	}
	for _, r := range c.runs {
		writeRun(w, c, r)
	}
}

var lampWords = regexp.MustCompile(`(?i)\b(light|lights|lamp|lamps|licht|lampe)\b`)

// loadKind guesses a load's kind: incandescent where the name says light and not
// LED, constant power where the draw is in watts.
func loadKind(c *circuit) (kind, why string) {
	name := c.title + " " + c.load.written
	switch {
	case lampWords.MatchString(name) && !strings.Contains(strings.ToUpper(name), "LED"):
		return "lamp", "kind, by the name"
	case strings.HasSuffix(c.draw, "W"):
		return "constant power", "kind, because the draw is in watts"
	}
	return "constant current", "kind"
}

func writeRun(w *writer, c *circuit, r run) {
	if r.row != nil {
		w.line("      # line %d: %s", r.row.record[0].line, r.row.raw())
	}
	checks := r.check
	if r.row != nil {
		checks = r.row.check
	}
	if r.gauge == (wire.Gauge{}) {
		r.gauge, checks = unknownGauge, append(checks, "gauge not known")
	}
	if r.length == 0 {
		r.length, checks = unknownLength, append(checks, "length not known")
	}
	name := ""
	if r.name != "" {
		name = "name: " + strconv.Quote(r.name) + ", "
	}
	tail := ""
	if r.bundle != "" {
		tail = ", bundle: " + strconv.Quote(r.bundle)
	}
	local := func(t string) string { return quote(strings.TrimPrefix(t, c.name+".")) }
	w.checked(fmt.Sprintf("      - {%sfrom: %s, to: %s, gauge: %v, length: %s m%s}", name, local(r.from), local(r.to), r.gauge,
		strconv.FormatFloat(math.Round(r.length*1e4)/1e4, 'f', -1, 64), tail), checks...)
}

// writeKept writes the rows that became no run.
func (b *builder) writeKept(w *writer) {
	rows := append([]*row{}, b.others...)
	for _, r := range b.rows {
		if r.kept != "" {
			rows = append(rows, r)
		}
	}
	if len(rows) > 0 {
		w.line("\n# Rows of the list that became no run:")
	}
	for _, r := range rows {
		w.line("# line %d (%s): %s", r.record[0].line, oneLine(r.kept), r.raw())
	}
}
