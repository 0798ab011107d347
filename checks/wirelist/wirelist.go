package wirelist

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"loomproof/checks/design"
	"loomproof/checks/units"
	"loomproof/checks/wire"
)

// Options are what a wire list does not say.
type Options struct {
	Name    string      // of the aircraft
	Nominal units.Volts // 14 V or 28 V
}

// A Conversion is the design that was made of a list.
type Conversion struct {
	Design []byte // YAML, parses with design.Parse
	Notes  []Note // in the order of the list
	Runs   int    // rows that became runs
	Kept   int    // rows that could not be placed, kept as comments
}

// NoteKind says what a note tells.
type NoteKind string

// The kinds of note.
const (
	Mistake NoteKind = "mistake" // could not be read: mend it in the list, and convert again
	Guess   NoteKind = "guess"   // was taken to mean something: look whether that is right
	Missing NoteKind = "missing" // stands in the design as CHECK THIS
)

// A Note is one thing to look at. Line and column are those of the list.
type Note struct {
	Kind   NoteKind
	File   string
	Line   int
	Column int // in bytes, from 1
	Text   string
}

func (n Note) String() string {
	return fmt.Sprintf("%s:%d:%d: %s: %s", n.File, n.Line, n.Column, n.Kind, n.Text)
}

// Error makes a note the error of a file that is no wire list.
func (n Note) Error() string { return fmt.Sprintf("%s:%d:%d: %s", n.File, n.Line, n.Column, n.Text) }

// Of lists the notes of a kind.
func (c *Conversion) Of(kind NoteKind) (out []Note) {
	for _, n := range c.Notes {
		if n.Kind == kind {
			out = append(out, n)
		}
	}
	return out
}

// A row is one row of the list, read.
type row struct {
	record
	number, bundle, bus string
	circuit             string // as the list names it, or as guessed
	ends                [2]end // from, to
	gauge               wire.Gauge
	length              float64 // m; 0 is not known
	rating              string  // of the protector, as 5 A
	fuse                bool
	draw                string   // as 2.5 A or 35 W
	check               []string // what to look at, for the comment
	kept                string   // why it is no run
}

// list is a wire list being read.
type list struct {
	file     string
	notes    []Note
	rows     []*row
	others   []*row // rows that are no wires
	headings []heading
}

func (l *list) note(kind NoteKind, at cell, format string, args ...any) {
	l.notes = append(l.notes, Note{kind, l.file, max(1, at.line), max(1, at.column), fmt.Sprintf(format, args...)})
}

// maxRows bounds the work, which grows with the square of the rows.
const maxRows = 4000

// Convert makes a design of a wire list; file names it in messages. The error is
// a [Note] where the file is no wire list at all; bad rows are no error but
// notes of the kind [Mistake], all of them.
func Convert(file string, text []byte, o Options) (*Conversion, error) {
	l := &list{file: file}
	plain, latin, err := decodeText(text)
	if err != nil {
		return nil, Note{Mistake, file, 1, 1, err.Error()}
	}
	rows, header, headings := findHeader(plain)
	if header < 0 {
		return nil, Note{Mistake, file, 1, 1, "no row has a heading for each end of the wires; make the first row like this: " +
			"Wire, Circuit, From, To, Gauge (AWG), Length (ft)"}
	}
	if len(rows) > maxRows {
		at := rows[maxRows][0]
		return nil, Note{Mistake, file, at.line, at.column, fmt.Sprintf("the list has %d rows; more than %d are no wire list of a light aircraft: take out what is none", len(rows), maxRows)}
	}
	if latin {
		l.note(Guess, rows[header][0], "the file is not UTF-8; it was read as Latin-1, so look at the letters with accents")
	}
	l.headings = headings
	l.readHeadings(rows[header])
	for _, r := range rows[:header] {
		l.keep(r, "above the header")
	}
	l.readRows(rows[header+1:])
	l.tellTwins()
	b := newBuilder(l)
	b.build()
	out := &Conversion{Design: b.write(o), Notes: l.notes}
	for _, r := range l.rows {
		if r.kept == "" {
			out.Runs++
		} else {
			out.Kept++
		}
	}
	sort.SliceStable(out.Notes, func(i, j int) bool {
		a, b := out.Notes[i], out.Notes[j]
		return a.Line < b.Line || a.Line == b.Line && a.Column < b.Column
	})
	if _, err := design.Parse("design.yaml", out.Design); err != nil {
		return nil, fmt.Errorf("%s: the design made of this list does not parse, which is a fault of this program: %w", file, err)
	}
	return out, nil
}

// readHeadings tells what the list has no column for.
func (l *list) readHeadings(r record) {
	seen := map[column]bool{}
	for i, h := range l.headings {
		seen[h.column] = true
		if h.column == unused && h.name != "" {
			l.note(Guess, r[i], "column %q is kept in comments only", h.name)
		}
	}
	for _, want := range []struct {
		column column
		said   string
	}{
		{gauge, "no column for the wire size, as Gauge (AWG): every run has 22 AWG"},
		{length, "no column for the length, as Length (ft): every run has 3 m"},
	} {
		if !seen[want.column] {
			l.note(Missing, r[0], "%s, marked CHECK THIS", want.said)
		}
	}
	if !seen[breakerRating] && !seen[fuseRating] {
		l.note(Missing, r[0], "no column for the protectors' ratings, as Breaker (A)")
	}
	if !seen[load] {
		l.note(Missing, r[0], "no column for the loads' draws, as Load (A)")
	}
}

func (l *list) keep(r record, why string) {
	if r.filled() > 0 {
		l.others = append(l.others, &row{record: r, kept: why})
	}
}

var totals = []string{"total", "totals", "sum", "subtotal", "grand total", "summe", "gesamt", "zwischensumme"}

// readRows reads the rows below the header.
func (l *list) readRows(rows []record) {
	group := ""
	for _, r := range rows {
		if r.filled() == 0 {
			continue
		}
		first, words := r.first()
		get := l.cells(r)
		wired := get(from).text != "" || get(to).text != ""
		low := strings.ToLower(strings.Trim(words, " .:"))
		switch {
		case strings.HasPrefix(words, "//"), strings.HasPrefix(words, "#") && (!wired || len(words) < 2 || words[1] < '0' || words[1] > '9'):
			l.keep(r, "a comment")
		case slices.Contains(totals, strings.SplitN(low, " ", 2)[0]) && (get(from).text == "" || get(to).text == ""):
			l.keep(r, "totals")
		case r.filled() == 1 && len(words) <= 40 && !strings.HasSuffix(words, "."):
			l.keep(r, "a heading")
			l.note(Guess, first, "%q is taken as the circuit of the rows below that name none", words)
			group = words
		default:
			l.readRow(r, get, group)
		}
	}
}

// first is the first cell that has something in it.
func (r record) first() (cell, string) {
	for _, c := range r {
		if t := oneLine(c.text); t != "" {
			return c, t
		}
	}
	return cell{}, ""
}

// cells gives the cell of a column; a missing one stands at the row's end.
func (l *list) cells(r record) func(column) cell {
	return func(c column) cell {
		for i, h := range l.headings {
			if h.column == c && i < len(r) {
				at := r[i]
				at.text = strings.TrimSpace(at.text)
				return at
			}
		}
		last := r[len(r)-1]
		return cell{line: last.line, column: last.column}
	}
}

func (l *list) unit(c column) string {
	for _, h := range l.headings {
		if h.column == c {
			return h.unit
		}
	}
	return ""
}

func (l *list) readRow(r record, get func(column) cell, group string) {
	x := &row{record: r, number: oneLine(get(number).text), bundle: oneLine(get(bundle).text), circuit: oneLine(get(circuitName).text), bus: oneLine(get(busName).text)}
	if x.circuit == "" {
		x.circuit = group
	}
	l.rows = append(l.rows, x)
	for _, c := range r {
		if strings.Count(c.text, "\n") > 3 {
			l.note(Mistake, c, "this cell goes on for %d lines; is a quote opened here that is never closed?", strings.Count(c.text, "\n")+1)
		}
	}
	for i, columns := range [2][2]column{{from, fromPin}, {to, toPin}} {
		at := get(columns[0])
		if at.text == "" {
			x.kept = "it has only one end"
			l.note(Mistake, at, "the wire's %s is empty; write where it ends, or begin the row with # if it is no wire", [2]string{"from", "to"}[i])
			continue
		}
		var err error
		if x.ends[i], err = classify(at.text, get(columns[1]).text); err != nil {
			x.kept = "an end cannot be read"
			l.note(Mistake, at, "%v", err)
		}
	}
	l.readValues(x, get)
}

// readValues reads what is not an end. What cannot be read is told, and the run
// stands with a value to fill in.
func (l *list) readValues(x *row, get func(column) cell) {
	if at := get(gauge); at.text != "" {
		var err error
		if x.gauge, err = readGauge(at.text, l.unit(gauge)); err != nil {
			l.note(Mistake, at, "%v", err)
		}
	} else if l.has(gauge) {
		l.note(Missing, at, "no wire size")
	}
	if at := get(length); at.text != "" {
		var err error
		if x.length, err = readLength(at.text, l.unit(length)); err != nil {
			l.note(Mistake, at, "%v", err)
		}
	} else if l.has(length) {
		l.note(Missing, at, "no length")
	}
	for _, c := range []column{breakerRating, fuseRating} {
		at := get(c)
		if at.text == "" || at.text == "-" {
			continue
		}
		amperes, fuse, err := readRating(at.text, l.unit(c))
		if err != nil {
			l.note(Mistake, at, "%v", err)
			continue
		}
		x.rating, x.fuse = units.Amperes(amperes).String(), fuse || c == fuseRating
	}
	if at := get(load); at.text != "" && at.text != "-" {
		var err error
		if x.draw, err = readDraw(at.text, l.unit(load)); err != nil {
			l.note(Mistake, at, "%v", err)
		}
	}
	for _, e := range x.ends {
		if e.kind != aProtector || e.rating == "" || x.rating != "" {
			continue
		}
		if amperes, _, err := readRating(e.rating, ""); err == nil {
			x.rating, x.fuse = units.Amperes(amperes).String(), e.fuse
		}
	}
}

// tellTwins tells wire numbers that stand twice: both wires get the same labels.
func (l *list) tellTwins() {
	first := map[string]int{}
	for _, r := range l.rows {
		switch line := first[r.number]; {
		case r.number == "":
		case line > 0:
			l.note(Guess, r.record[0], "wire number %q stands in line %d too; both are kept, with the same number", r.number, line)
		default:
			first[r.number] = r.record[0].line
		}
	}
}

func (l *list) has(c column) bool {
	return slices.ContainsFunc(l.headings, func(h heading) bool { return h.column == c })
}
