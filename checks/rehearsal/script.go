package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"go.starlark.net/syntax"

	"loomproof/checks/mockup"
	"loomproof/checks/procedure"
)

var options = &syntax.FileOptions{While: true, TopLevelControl: true}

// A Complaint is what is wrong or doubtful in a script.
type Complaint struct {
	At    string `json:"at"` // file:line:column; "" for the whole
	What  string `json:"what"`
	Wrong bool   `json:"wrong"` // else only to be looked at
}

func (c Complaint) String() string {
	kind := "look"
	if c.Wrong {
		kind = "wrong"
	}
	if c.At == "" {
		return kind + ": " + c.What
	}
	return c.At + ": " + kind + ": " + c.What
}

// Checked is what Check found.
type Checked struct {
	Complaints []Complaint `json:"complaints"`
	Runs       int         `json:"runs"` // rehearsals that came to their end
	Calls      int         `json:"calls"`
	Reached    int         `json:"reached"` // calls that some rehearsal came to
}

// Wrong tells whether something is wrong, and not only doubtful.
func (c *Checked) Wrong() bool {
	return slices.ContainsFunc(c.Complaints, func(x Complaint) bool { return x.Wrong })
}

// Check finds what is wrong with a script before anything is live: it is
// rehearsed on each of the designs, and on the first of them with each fault of
// those given. What no rehearsal has come to, and what never can be come to, is to
// be looked at.
func Check(ctx context.Context, all []Options, faults []mockup.Planted) (*Checked, error) {
	if len(all) == 0 {
		return nil, errors.New("there is no design to rehearse on")
	}
	c := &checker{reached: map[string]bool{}, seen: map[string]bool{}, out: &Checked{Complaints: []Complaint{}}}
	script := all[0]
	if !c.read(script) {
		return c.out, nil
	}
	runs := slices.Clone(all)
	for _, f := range faults {
		o := script
		o.Planted = f
		runs = append(runs, o)
	}
	for _, o := range runs {
		if err := ctx.Err(); err != nil {
			return nil, context.Cause(ctx)
		}
		c.rehearse(ctx, o)
	}
	for _, at := range c.calls {
		if c.reached[at] {
			c.out.Reached++
		} else if c.out.Runs > 0 {
			c.say(Complaint{At: at, What: "no rehearsal came to this call: read it twice"})
		}
	}
	c.out.Calls = len(c.calls)
	return c.out, nil
}

type checker struct {
	calls []string // places of calls of words, in the order of the script
	out   *Checked
	seen  map[string]bool

	mu      sync.Mutex
	reached map[string]bool
}

func (c *checker) say(x Complaint) {
	if !c.seen[x.String()] {
		c.seen[x.String()] = true
		c.out.Complaints = append(c.out.Complaints, x)
	}
}

// rehearse runs the script once, and keeps what it came to and how it ended.
func (c *checker) rehearse(ctx context.Context, o Options) {
	o.called = func(place string) {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.reached[place] = true
	}
	r, err := Run(ctx, o)
	where := o.Design.File
	if o.Planted.Name != "" {
		where += " with " + o.Planted.Name
	}
	if err != nil {
		at, what := placeOf(o.Name+".star", err)
		c.say(Complaint{at, fmt.Sprintf("%s (on %s)", what, where), true})
		return
	}
	c.out.Runs++
	if o.Planted.Name == "" && r.Effort.Steps == 0 {
		c.say(Complaint{What: "it comes to no step on " + where + ": nothing would be judged"})
	}
}

// placeOf takes an error's place off its text.
func placeOf(file string, err error) (at, what string) {
	what = err.Error()
	if !strings.HasPrefix(what, file+":") {
		return "", what
	}
	at, what, _ = strings.Cut(what, ": ")
	return at, what
}

// read looks at the script without running it; false if it cannot be read.
func (c *checker) read(o Options) bool {
	f, err := options.Parse(o.Name+".star", o.Script, 0)
	if err != nil {
		var e syntax.Error
		if errors.As(err, &e) {
			c.say(Complaint{e.Pos.String(), e.Msg, true})
		} else {
			c.say(Complaint{What: err.Error(), Wrong: true})
		}
		return false
	}
	for _, x := range declarations(f).complaints {
		c.say(x)
	}
	words := map[string]bool{}
	for _, w := range procedure.ScriptWords() {
		words[w.Name()] = true
	}
	used := map[string]bool{}
	var defined []*syntax.DefStmt
	syntax.Walk(f, func(n syntax.Node) bool {
		switch n := n.(type) {
		case *syntax.DefStmt:
			defined = append(defined, n)
			c.behindTheEnd(n.Body)
		case *syntax.ForStmt:
			c.behindTheEnd(n.Body)
		case *syntax.WhileStmt:
			c.behindTheEnd(n.Body)
		case *syntax.IfStmt:
			c.behindTheEnd(n.True)
			c.behindTheEnd(n.False)
		case *syntax.CallExpr:
			if name, ok := n.Fn.(*syntax.Ident); ok && words[name.Name] {
				c.calls = append(c.calls, n.Lparen.String())
			}
		case *syntax.Ident:
			used[n.Name] = true
		}
		return true
	})
	for _, d := range defined {
		if !called(f, d) {
			start, _ := d.Span()
			c.say(Complaint{At: start.String(), What: d.Name.Name + " is never used"})
		}
		if words[d.Name.Name] {
			start, _ := d.Span()
			c.say(Complaint{start.String(), d.Name.Name + " is a word of the program: give the function another name", true})
		}
	}
	return true
}

// called tells whether a function is named anywhere but where it is defined and
// in itself.
func called(f *syntax.File, d *syntax.DefStmt) bool {
	found := false
	syntax.Walk(f, func(n syntax.Node) bool {
		if n == syntax.Node(d) {
			return false
		}
		if id, ok := n.(*syntax.Ident); ok && id.Name == d.Name.Name {
			found = true
		}
		return !found
	})
	return found
}

// behindTheEnd finds statements that nothing comes to.
func (c *checker) behindTheEnd(body []syntax.Stmt) {
	for i, s := range body[:max(len(body)-1, 0)] {
		if ends(s) {
			start, _ := body[i+1].Span()
			c.say(Complaint{At: start.String(), What: "nothing comes to this line: what stands before it ends here"})
			return
		}
	}
}

func ends(s syntax.Stmt) bool {
	switch s := s.(type) {
	case *syntax.ReturnStmt:
		return true
	case *syntax.BranchStmt:
		return s.Token != syntax.PASS
	case *syntax.ExprStmt:
		call, ok := s.X.(*syntax.CallExpr)
		if !ok {
			return false
		}
		name, ok := call.Fn.(*syntax.Ident)
		return ok && (name.Name == "stop" || name.Name == "fail")
	}
	return false
}
