package web

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"

	"loomproof/checks/faultfind"
	"loomproof/checks/logbook"
	"loomproof/checks/trend"
	"loomproof/dashboard/access"
	"loomproof/dashboard/crept"
	"loomproof/dashboard/why"
)

// A whole is a page of one file, with its style inside, and the same for machines.
type whole interface {
	HTML(io.Writer) error
	JSON(io.Writer) error
}

// whole answers with a page of one file, or its JSON. The page has ways back, to what
// else there is of the worksheet, which a file that was sent has not.
func (s *Server) whole(w http.ResponseWriter, r *http.Request, asJSON bool, worksheet int64, p whole) {
	var b bytes.Buffer
	write, kind := p.HTML, "text/html; charset=utf-8"
	if asJSON {
		write, kind = p.JSON, "application/json"
	}
	if err := write(&b); err != nil {
		s.message(w, r, http.StatusInternalServerError, err.Error(), "The page could not be made.")
		return
	}
	body := b.Bytes()
	if !asJSON {
		body = bytes.Replace(body, []byte("<body>"), []byte("<body>\n"+ways(r.URL.Path, worksheet)), 1)
	}
	if access.Night(r) && !asJSON {
		body = bytes.Replace(body, []byte(`<html lang="en">`), []byte(`<html lang="en" class="night">`), 1)
	}
	w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; frame-ancestors 'none'")
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(body)
}

// ways are the links from a page of a worksheet.
func ways(here string, worksheet int64) string {
	out := `<nav class="ways" aria-label="Pages"><a href="/">Bench</a> <a href="/logbook">Logbook</a>`
	for _, to := range [][2]string{{"Report", "/report/"}, {"Why", "/why/"}, {"Since the one before", "/compare/"}} {
		if path := fmt.Sprint(to[1], worksheet); path != here {
			out += fmt.Sprintf(` <a href="%s">%s</a>`, path, to[0])
		}
	}
	return out + "</nav>\n"
}

// worksheet finds the worksheet that a part of the path names: 3, or 3.json for
// machines. It is nil when that has been answered with a message.
func (s *Server) worksheet(w http.ResponseWriter, r *http.Request, part string) (sheet *logbook.Worksheet, asJSON bool) {
	name, asJSON := strings.CutSuffix(r.PathValue(part), ".json")
	id, err := strconv.ParseInt(name, 10, 64)
	if err != nil {
		s.message(w, r, http.StatusNotFound, fmt.Sprintf("%q is no worksheet number.", name), "Open it from the bench page.")
		return nil, asJSON
	}
	sheet, err = s.Book.Worksheet(r.Context(), id)
	switch {
	case errors.Is(err, logbook.ErrNotFound):
		s.message(w, r, http.StatusNotFound, fmt.Sprintf("There is no worksheet %d in this logbook.", id), "Open it from the bench page.")
		return nil, asJSON
	case err != nil:
		s.message(w, r, http.StatusInternalServerError, err.Error(), "Check the logbook's disk.")
		return nil, asJSON
	}
	return sheet, asJSON
}

// why serves /why/3: which faults explain the readings, and where to measure next.
func (s *Server) why(w http.ResponseWriter, r *http.Request) {
	sheet, asJSON := s.worksheet(w, r, "id")
	if sheet == nil {
		return
	}
	found, err := why.New(sheet, faultfind.Usual())
	if err != nil {
		s.message(w, r, http.StatusConflict, err.Error(), "Go on with the worksheet first.")
		return
	}
	s.whole(w, r, asJSON, sheet.ID(), found)
}

// compare serves /compare/7, against the worksheet before, and /compare/3/7.
func (s *Server) compare(w http.ResponseWriter, r *http.Request) {
	sheet, asJSON := s.worksheet(w, r, "id")
	if sheet == nil {
		return
	}
	var later *logbook.Worksheet
	if r.PathValue("later") != "" {
		if later, asJSON = s.worksheet(w, r, "later"); later == nil {
			return
		}
	}
	found, err := crept.New(r.Context(), s.Book, sheet, later, trend.UsualRate)
	if err != nil {
		s.message(w, r, http.StatusConflict, err.Error(), "Go to the logbook and choose two others.")
		return
	}
	s.whole(w, r, asJSON, found.After.ID, found)
}
