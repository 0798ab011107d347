package web

import (
	"bytes"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"strings"
	"sync"

	"loomproof/checks/evidence"
	"loomproof/checks/groundrun"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/recording/store"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
	"loomproof/dashboard/access"
	"loomproof/dashboard/band"
)

// told is what the list says of each worksheet. Nothing of a worksheet is ever
// changed, so that it holds for as many records as it was made of.
type told struct {
	sync.Mutex
	of map[int64]worksheetRow
}

// A worksheetRow is a line of the list.
type worksheetRow struct {
	logbook.Summary
	People string
	Stamp  template.HTML
	Order  int // of the verdict, the worst first
	Signed bool
	Wrong  string // why it cannot be read
}

// logbook lists all that was kept.
func (s *Server) logbook(w http.ResponseWriter, r *http.Request) {
	list, err := s.Book.Worksheets(r.Context())
	if err != nil {
		s.message(w, r, http.StatusInternalServerError, err.Error(), "Check the logbook's disk.")
		return
	}
	data := struct {
		head
		Worksheets []worksheetRow
		Recordings []store.Summary
		Signing    bool
	}{head: s.head(r, "Logbook"), Signing: s.Key != nil && access.Of(r.Context()).Local}
	for _, x := range list {
		data.Worksheets = append(data.Worksheets, s.tell(r, x))
	}
	if s.Recordings != nil {
		if data.Recordings, err = s.Recordings.List(r.Context()); err != nil {
			s.message(w, r, http.StatusInternalServerError, err.Error(), "Check the logbook's disk.")
			return
		}
	}
	s.page(w, http.StatusOK, "logbook.html", data)
}

// tell says who performed a worksheet and how it ended.
func (s *Server) tell(r *http.Request, x logbook.Summary) worksheetRow {
	s.told.Lock()
	defer s.told.Unlock()
	if row, has := s.told.of[x.ID]; has && row.Records == x.Records {
		return row
	}
	row := worksheetRow{Summary: x}
	sheet, err := s.Book.Worksheet(r.Context(), x.ID)
	if err != nil {
		row.Wrong = err.Error()
		return row
	}
	records := sheet.Records()
	past, err := procedure.Fold(records)
	if err != nil {
		row.Wrong = err.Error()
		return row
	}
	row.People, row.Stamp, row.Order = strings.Join(past.People, ", "), band.Stamp(string(past.Verdict)), worstFirst(string(past.Verdict))
	row.Signed = len(records) > 0 && (records[len(records)-1].Kind == logbook.KindSign || records[len(records)-1].Kind == logbook.KindAmend)
	if s.told.of == nil {
		s.told.of = map[int64]worksheetRow{}
	}
	s.told.of[x.ID] = row
	return row
}

// chosen opens the comparison of the two that were ticked in a list.
func (s *Server) chosen(w http.ResponseWriter, r *http.Request) {
	worksheets, recordings := r.URL.Query()["worksheet"], r.URL.Query()["recording"]
	switch {
	case len(worksheets) == 2 && len(recordings) == 0:
		http.Redirect(w, r, "/compare/"+pathNumber(worksheets[1])+"/"+pathNumber(worksheets[0]), http.StatusSeeOther) // the list has the newest first
	case len(recordings) == 2 && len(worksheets) == 0 && s.Recordings != nil:
		s.compareRecordings(w, r, recordings[1], recordings[0])
	default:
		s.message(w, r, http.StatusBadRequest, "Two are compared: tick two worksheets, or two recordings.", "Go back to the logbook.")
	}
}

// pathNumber is a number as it stands in a path; what is none becomes 0, which
// no worksheet has.
func pathNumber(text string) string {
	for _, c := range text {
		if c < '0' || c > '9' {
			return "0"
		}
	}
	return text
}

type comparedCheck struct {
	What          string
	Before, After string
	Stamps        [2]template.HTML
	Change        string
	Clear         bool // the change is more than both uncertainties
}

// compareRecordings shows the figures of two recordings side by side.
func (s *Server) compareRecordings(w http.ResponseWriter, r *http.Request, before, after string) {
	var reports [2]*groundrun.Report
	var names [2]store.Summary
	for i, id := range []string{before, after} {
		r.SetPathValue("id", id)
		rec := s.kept(w, r)
		if rec == nil {
			return
		}
		rep, err := s.analyse(r.Context(), rec)
		if err != nil {
			s.message(w, r, http.StatusConflict, fmt.Sprintf("Recording %d: %v", rec.ID, err), "Go to the bench page, and from there to the logbook.")
			return
		}
		reports[i], names[i] = rep, rec.Summary
	}
	s.page(w, http.StatusOK, "compare.html", struct {
		head
		Names  [2]store.Summary
		Checks []comparedCheck
	}{s.head(r, "Compare"), names, compareChecks(reports[0], reports[1])})
}

// compareChecks lists the figures that either has.
func compareChecks(before, after *groundrun.Report) []comparedCheck {
	var out []comparedCheck
	at := map[string]int{} // where a figure of the first stands
	for _, c := range before.Checks {
		shown := shownCheck(before, c)
		at[c.ID] = len(out)
		out = append(out, comparedCheck{What: shown.called(), Before: shown.Value, Stamps: [2]template.HTML{shown.Stamp}})
	}
	for _, c := range after.Checks {
		shown := shownCheck(after, c)
		i, has := at[c.ID]
		if !has {
			out = append(out, comparedCheck{What: shown.called(), After: shown.Value, Stamps: [2]template.HTML{"", shown.Stamp}})
			continue
		}
		b := before.Checks[i]
		change := c.Reading - b.Reading
		out[i].After, out[i].Stamps[1], out[i].Change = shown.Value, shown.Stamp, units.Format(change, c.Unit)
		out[i].Clear = math.Abs(change) > math.Hypot(b.Uncertainty, c.Uncertainty)
	}
	return out
}

// called is what a figure is of, and in which part of the run.
func (c checkShown) called() string {
	if c.Part == "" {
		return c.What
	}
	return c.What + ", " + c.Part
}

// verifyPage says in words what verifying found.
type verifyPage struct {
	head
	What  string
	Stamp template.HTML
	Wrong []string
	Notes []string
	Back  link
}

// verify looks at every record of a worksheet.
func (s *Server) verify(w http.ResponseWriter, r *http.Request) {
	sheet, _ := s.worksheet(w, r, "id")
	if sheet == nil {
		return
	}
	known := evidence.Known{}
	if s.Known != nil {
		known = s.Known()
	}
	f := evidence.Verify(evidence.Of(sheet), known)
	p := verifyPage{head: s.head(r, "Verify"), What: fmt.Sprintf("Worksheet %d", f.Worksheet), Back: link{fmt.Sprintf("Report %d", f.Worksheet), fmt.Sprintf("/report/%d", f.Worksheet)}}
	for _, x := range f.Faults {
		p.Wrong = append(p.Wrong, x.String())
	}
	if len(f.Faults) == 0 {
		p.Notes = append(p.Notes, fmt.Sprintf("All %d records were looked at: none was changed or moved, and none is missing between the first and the last.", f.Records))
	}
	for _, x := range f.Signatures {
		what := "signed off"
		if x.Kind == logbook.KindAmend {
			what = "amended"
		}
		vouched := "a key that is vouched for here"
		if !x.Known {
			vouched = "a key that is NOT known here: ask the signer for its fingerprint"
		}
		p.Notes = append(p.Notes, fmt.Sprintf("Record %d, %s: %s by %s, %s, with %s (%s).", x.Record, x.At, what, x.By, x.Capacity, vouched, x.Fingerprint))
	}
	switch {
	case len(f.Signatures) == 0:
		p.Notes = append(p.Notes, "It is not signed: whether records are missing at its end cannot be told.")
	case f.Unsigned > 0:
		p.Notes = append(p.Notes, fmt.Sprintf("The last %d records are not signed.", f.Unsigned))
	}
	p.Notes = append(p.Notes, f.Notes...)
	p.Notes = append(p.Notes, "Last hash: "+f.Head+". Compare it with the one that was written down at sign-off.")
	p.verdict(f.Proven())
	s.page(w, http.StatusOK, "verify.html", p)
}

// verdict sets the word: proven is a pass, nothing wrong alone is not decided.
func (p *verifyPage) verdict(proven bool) {
	word := verdict.Undecided
	switch {
	case len(p.Wrong) > 0:
		word = verdict.Fail
	case proven:
		word = verdict.Pass
	}
	p.Stamp = band.Stamp(string(word))
}

// verifyRecording looks at every stored byte of a recording.
func (s *Server) verifyRecording(w http.ResponseWriter, r *http.Request) {
	rec := s.kept(w, r)
	if rec == nil {
		return
	}
	digests, err := s.digests(r, rec.ID)
	if err != nil {
		s.message(w, r, http.StatusInternalServerError, err.Error(), "Check the logbook's disk.")
		return
	}
	f, err := evidence.VerifyRecording(r.Context(), s.Recordings, rec.ID, digests...)
	if err != nil {
		s.message(w, r, http.StatusInternalServerError, err.Error(), "Check the logbook's disk.")
		return
	}
	name := fmt.Sprintf("Recording %d", rec.ID)
	p := verifyPage{head: s.head(r, "Verify"), What: name, Wrong: f.Faults, Back: link{name, fmt.Sprintf("/recording/%d", rec.ID)}}
	if f.Digest != "" {
		p.Notes = append(p.Notes, f.String()+".", "Digest of all that is stored: "+f.Digest+".")
	}
	if f.Vouched && len(f.Faults) == 0 {
		p.Notes = append(p.Notes, "A worksheet tells of it by that digest.")
	}
	if f.Note != "" {
		p.Notes = append(p.Notes, f.Note+".")
	}
	p.verdict(f.Proven())
	s.page(w, http.StatusOK, "verify.html", p)
}

// digests are what the logbook's worksheets say that a recording must be.
func (s *Server) digests(r *http.Request, id int64) ([]string, error) {
	if s.Book == nil {
		return nil, nil
	}
	sheets, _, err := evidence.All(r.Context(), s.Book)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, x := range sheets {
		if d := evidence.Digests(x.Records)[id]; d != "" {
			out = append(out, d)
		}
	}
	return out, nil
}

// export hands a worksheet over, as the command of that name does.
func (s *Server) export(w http.ResponseWriter, r *http.Request) {
	sheet, _ := s.worksheet(w, r, "id")
	if sheet == nil {
		return
	}
	name := fmt.Sprintf("worksheet-%d", sheet.ID())
	s.download(w, r, "application/zip", name+".zip", func(b *bytes.Buffer) error { return evidence.Zip(b, evidence.Of(sheet), name) })
}

// stepsCSV is the table of a worksheet's steps.
func (s *Server) stepsCSV(w http.ResponseWriter, r *http.Request) {
	sheet, _ := s.worksheet(w, r, "id")
	if sheet == nil {
		return
	}
	s.download(w, r, "text/csv; charset=utf-8", fmt.Sprintf("worksheet-%d.csv", sheet.ID()), func(b *bytes.Buffer) error { return evidence.Of(sheet).Steps(b) })
}

// download answers with a file; it is made whole first, so that a mistake is a
// clean error.
func (s *Server) download(w http.ResponseWriter, r *http.Request, kind, name string, write func(*bytes.Buffer) error) {
	var b bytes.Buffer
	if err := write(&b); err != nil {
		s.message(w, r, http.StatusInternalServerError, err.Error(), "The worksheet's records cannot be read.")
		return
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
	w.Header().Set("Cache-Control", "no-store")
	_, _ = b.WriteTo(w)
}
