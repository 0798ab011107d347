package web

import (
	"html/template"
	"net/http"
	"strconv"
	"strings"

	"loomproof/checks/design"
	"loomproof/checks/desk"
	"loomproof/checks/procedure"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
	"loomproof/dashboard/access"
	"loomproof/dashboard/band"
	"loomproof/dashboard/diagram"
)

// head is what the top of each page but the bench page needs.
type head struct {
	Title string // the page's name in the row of pages
	Pages []link
	Night bool // this screen wants ink on black
}

type link struct{ Name, Path string }

// head lists the pages that this visitor can open.
func (s *Server) head(r *http.Request, title string) head {
	h := head{Title: title, Pages: []link{{"Bench", "/"}}, Night: access.Night(r)}
	if s.Design != nil {
		h.Pages = append(h.Pages, link{"Aircraft", "/aircraft"}, link{"Design", "/design"})
	}
	if s.Recordings != nil {
		h.Pages = append(h.Pages, link{"Recording", "/recording"})
	}
	if s.Book != nil {
		h.Pages = append(h.Pages, link{"Logbook", "/logbook"})
	}
	if s.Devices != nil && access.Of(r.Context()).Local {
		h.Pages = append(h.Pages, link{"Devices", "/devices"})
	}
	return h
}

// A cell of a table: what stands there, and the number to sort by.
type cell struct{ Text, Key string }

func cellOf(v *float64, unit string) cell {
	if v == nil {
		return cell{}
	}
	return cell{units.Format(*v, unit), strconv.FormatFloat(*v, 'g', -1, 64)}
}

// verdicts is the worst verdict of each circuit, of those that have steps.
func verdicts(steps []procedure.Step) map[string]string {
	words := map[string][]verdict.Word{}
	for _, s := range steps {
		words[s.Circuit] = append(words[s.Circuit], verdict.Word(s.Verdict))
	}
	out := map[string]string{}
	for circuit, list := range words {
		out[circuit] = string(verdict.Worst(list...))
	}
	return out
}

type circuitRow struct {
	Name, Title, Bus string
	Rating           cell
	Stamp            template.HTML
	Order            int     // worst first
	Values           [4]cell // current and load voltage: design, measured
}

func (s *Server) aircraft(w http.ResponseWriter, r *http.Request) {
	worksheet, steps, err := s.present(r)
	if err != nil {
		s.message(w, r, http.StatusInternalServerError, err.Error(), "Check the logbook's disk.")
		return
	}
	has := verdicts(steps)
	data := struct {
		head
		Design    *design.Design
		Worksheet int64
		Diagram   template.HTML
		Circuits  []circuitRow
	}{head: s.head(r, "Aircraft"), Design: s.Design, Worksheet: worksheet}
	data.Diagram = template.HTML(diagram.Inside(s.Design, has, func(circuit string) string { return "/aircraft/" + circuit })) //nolint:gosec // drawn by us, words escaped
	for _, k := range s.Design.Circuits {
		row := circuitRow{Name: k.Name, Title: k.Called(), Bus: k.Bus, Stamp: stampOf(has, k.Name), Order: worstFirst(has[k.Name])}
		if p := k.Protector(); p != nil {
			rating := float64(p.Rating)
			row.Rating = cellOf(&rating, "A")
		}
		for _, step := range steps {
			switch {
			case step.Circuit != k.Name:
			case step.What == procedure.WhatCurrent:
				row.Values[0], row.Values[1] = cellOf(step.Design, step.Unit), cellOf(step.Reading, step.Unit)
			case step.What == procedure.WhatLoad:
				row.Values[2], row.Values[3] = cellOf(step.Design, step.Unit), cellOf(step.Reading, step.Unit)
			}
		}
		data.Circuits = append(data.Circuits, row)
	}
	s.page(w, http.StatusOK, "aircraft.html", data)
}

// worstFirst is the place of a verdict in a table: what is wrong first.
func worstFirst(word string) int {
	return map[string]int{string(verdict.Fail): 1, string(verdict.Undecided): 2, string(verdict.NotDone): 3, "": 4, string(verdict.Pass): 5}[word]
}

func stampOf(has map[string]string, circuit string) template.HTML {
	if has[circuit] == "" {
		return band.Stamp(string(verdict.NotDone))
	}
	return band.Stamp(has[circuit])
}

type earlier struct {
	When, Title, Value string
	Stamp              template.HTML
}

type stepShown struct {
	Title, Value, Note, Allowed string
	Picture, Stamp              template.HTML
}

func (s *Server) circuit(w http.ResponseWriter, r *http.Request) {
	k := s.Design.Circuit(r.PathValue("circuit"))
	if k == nil {
		s.message(w, r, http.StatusNotFound, "The design has no such circuit.", "Go to the bench page.")
		return
	}
	worksheet, steps, err := s.present(r)
	if err != nil {
		s.message(w, r, http.StatusInternalServerError, err.Error(), "Check the logbook's disk.")
		return
	}
	data := struct {
		head
		Circuit *design.Circuit
		Stamp   template.HTML
		Steps   []stepShown
		Earlier []earlier
		Points  []*design.Terminal
	}{head: s.head(r, k.Called()), Circuit: k, Stamp: stampOf(verdicts(steps), k.Name)}
	for _, step := range steps {
		if step.Circuit == k.Name {
			shown := row(step)
			data.Steps = append(data.Steps, stepShown{shown.Title, shown.Value, shown.Note, shown.Allowed, template.HTML(shown.Picture), template.HTML(shown.Stamp)}) //nolint:gosec // drawn by us, words escaped
		}
	}
	for _, t := range s.Design.Terminals() {
		if t.Circuit == k {
			data.Points = append(data.Points, t)
		}
	}
	if data.Earlier, err = s.earlier(r, worksheet, k.Name); err != nil {
		s.message(w, r, http.StatusInternalServerError, err.Error(), "Check the logbook's disk.")
		return
	}
	s.page(w, http.StatusOK, "circuit.html", data)
}

// present is the worksheet that tells how the aircraft is: the one at work, or
// the last one of this aircraft in the logbook; 0 without any.
func (s *Server) present(r *http.Request) (worksheet int64, steps []procedure.Step, err error) {
	if v, _ := s.Desk.View(); v.Worksheet != 0 || s.Book == nil {
		return v.Worksheet, procedure.Latest(v.Steps), nil
	}
	list, err := s.Book.Worksheets(r.Context())
	if err != nil {
		return 0, nil, err
	}
	for _, w := range list {
		if w.Aircraft == s.Design.Aircraft.Name {
			past, err := s.past(r, w.ID)
			if err != nil {
				return 0, nil, err
			}
			return w.ID, past.Steps, nil
		}
	}
	return 0, nil, nil
}

// past reads a worksheet of the logbook.
func (s *Server) past(r *http.Request, id int64) (*procedure.Sheet, error) {
	sheet, err := s.Book.Worksheet(r.Context(), id)
	if err != nil {
		return nil, err
	}
	return procedure.Fold(sheet.Records())
}

// earlier lists what a circuit read in the last closed worksheet before a
// worksheet, of the same aircraft and procedure.
func (s *Server) earlier(r *http.Request, than int64, circuit string) ([]earlier, error) {
	if s.Book == nil {
		return nil, nil
	}
	list, err := s.Book.Worksheets(r.Context())
	if err != nil {
		return nil, err
	}
	is := ""
	for _, w := range list { // the newest first
		if w.ID == than {
			is = w.Procedure
			continue
		}
		if !w.Closed || w.Aircraft != s.Design.Aircraft.Name || is == "" || w.Procedure != is {
			continue
		}
		past, err := s.past(r, w.ID)
		if err != nil {
			return nil, err
		}
		var out []earlier
		for _, step := range past.Steps {
			if step.Circuit == circuit {
				out = append(out, earlier{step.At.Local().Format("2 Jan 2006"), step.Title, row(step).Value, band.Stamp(step.Verdict)})
			}
		}
		return out, nil
	}
	return nil, nil
}

type line struct {
	Number   int
	Text     string
	Findings []desk.Finding
}

// design shows the design file with the desk check's findings where they belong.
func (s *Server) design(w http.ResponseWriter, r *http.Request) {
	found := desk.Check(s.Design).Findings
	at := map[int][]desk.Finding{}
	for _, f := range found {
		at[f.Place.Line] = append(at[f.Place.Line], f)
	}
	data := struct {
		head
		Design   *design.Design
		Findings int
		Index    []desk.Finding
		Lines    []line
	}{head: s.head(r, "Design"), Design: s.Design, Findings: len(found), Index: found}
	for i, text := range strings.Split(strings.TrimRight(s.Design.Text, "\n"), "\n") {
		data.Lines = append(data.Lines, line{i + 1, text, at[i+1]})
	}
	s.page(w, http.StatusOK, "design.html", data)
}
