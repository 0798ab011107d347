package rehearsal

import (
	"fmt"

	"go.starlark.net/syntax"
)

// Declared reads what a script says of itself, at its top: TOOLS = ["...", ...] and
// PEOPLE = 2. People is 0 where it does not say.
func Declared(script []byte) (tools []string, people int) {
	f, err := options.Parse("", script, 0)
	if err != nil {
		return []string{}, 0
	}
	d := declarations(f)
	return d.tools, d.people
}

// declared is what a script says of itself, and what is wrong with that.
type declared struct {
	tools      []string
	people     int
	complaints []Complaint
}

// declarations reads them without running anything: they must be written out.
func declarations(f *syntax.File) declared {
	d := declared{tools: []string{}}
	seen := map[string]bool{}
	for _, s := range f.Stmts {
		a, ok := s.(*syntax.AssignStmt)
		if !ok {
			continue
		}
		name, ok := a.LHS.(*syntax.Ident)
		if !ok || name.Name != "TOOLS" && name.Name != "PEOPLE" {
			continue
		}
		seen[name.Name] = true
		ok = false
		if name.Name == "TOOLS" {
			d.tools, ok = textsOf(a.RHS)
		} else {
			d.people, ok = countOf(a.RHS)
		}
		if !ok {
			what := map[string]string{"TOOLS": `a list of texts: TOOLS = ["fire extinguisher"]`, "PEOPLE": "a number from 1 up: PEOPLE = 2"}[name.Name]
			d.complaints = append(d.complaints, Complaint{name.NamePos.String(), fmt.Sprintf("%s is %s, written out", name.Name, what), true})
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
