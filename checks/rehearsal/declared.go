package rehearsal

import (
	"fmt"

	"go.starlark.net/syntax"
)

// Declared is what a script says of itself, at its top: TOOLS = ["...", ...],
// PEOPLE = 2 and CANNOT_SEE = ["...", ...]. What it does not say is empty, people 0.
type Declared struct {
	Tools     []string
	People    int
	CannotSee []string // what its pass says nothing about

	complaints []Complaint // what is wrong with it
}

// Declares reads what a script says of itself. One that cannot be read says nothing.
func Declares(script []byte) Declared {
	f, err := options.Parse("", script, 0)
	if err != nil {
		return Declared{Tools: []string{}, CannotSee: []string{}}
	}
	return declarations(f)
}

// declarable is what a script can say of itself, and how that is written.
var declarable = map[string]string{
	"TOOLS":      `a list of texts: TOOLS = ["fire extinguisher"]`,
	"PEOPLE":     "a number from 1 up: PEOPLE = 2",
	"CANNOT_SEE": `a list of texts: CANNOT_SEE = ["the charging system"]`,
}

// declarations reads them without running anything: they must be written out.
func declarations(f *syntax.File) Declared {
	d := Declared{Tools: []string{}, CannotSee: []string{}}
	seen := map[string]bool{}
	for _, s := range f.Stmts {
		a, ok := s.(*syntax.AssignStmt)
		if !ok {
			continue
		}
		name, ok := a.LHS.(*syntax.Ident)
		if !ok || declarable[name.Name] == "" {
			continue
		}
		seen[name.Name] = true
		ok = false
		switch name.Name {
		case "TOOLS":
			d.Tools, ok = textsOf(a.RHS)
		case "CANNOT_SEE":
			d.CannotSee, ok = textsOf(a.RHS)
		default:
			d.People, ok = countOf(a.RHS)
		}
		if !ok {
			d.complaints = append(d.complaints, Complaint{name.NamePos.String(), fmt.Sprintf("%s is %s, written out", name.Name, declarable[name.Name]), true})
		}
	}
	if !seen["TOOLS"] {
		d.complaints = append(d.complaints, Complaint{What: `it does not say which tools it takes: write TOOLS = ["..."] at its top`})
	}
	if !seen["PEOPLE"] {
		d.complaints = append(d.complaints, Complaint{What: "it does not say how many people it takes: write PEOPLE = 2 at its top"})
	}
	return d
}

func textsOf(x syntax.Expr) (out []string, ok bool) {
	out = []string{}
	l, ok := x.(*syntax.ListExpr)
	if !ok {
		return out, false
	}
	for _, x := range l.List {
		literal, ok := x.(*syntax.Literal)
		if !ok {
			return out, false
		}
		text, ok := literal.Value.(string)
		if !ok || text == "" {
			return out, false
		}
		out = append(out, text)
	}
	return out, true
}

func countOf(x syntax.Expr) (int, bool) {
	literal, ok := x.(*syntax.Literal)
	if !ok {
		return 0, false
	}
	n, ok := literal.Value.(int64)
	return int(n), ok && n > 0
}
