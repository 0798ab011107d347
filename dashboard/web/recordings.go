package web

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"

	"loomproof/checks/recording"
	"loomproof/checks/recording/store"
	"loomproof/checks/recording/tables"
	"loomproof/dashboard/access"
)

// recordingRoutes are the pages of recordings.
func (s *Server) recordingRoutes() {
	s.mux.HandleFunc("GET /recording", s.newest)
	s.mux.HandleFunc("GET /recording/{id}", s.recording)
	s.mux.HandleFunc("GET /recording/{id}/view", s.view)
	s.mux.HandleFunc("GET /recording/{id}/spectrum", s.spectrum)
	s.mux.HandleFunc("GET /recording/{id}/analysis", s.analysis)
	s.mux.HandleFunc("GET /recording/{id}/{picture}", s.drawn)
	s.mux.HandleFunc("GET /recording/{id}/export.csv", s.exportRecording)
	s.mux.HandleFunc("GET /recording/{id}/export.parquet", s.exportRecording)
	s.mux.HandleFunc("GET /recording/{id}/verify", s.verifyRecording)
}

// kept finds the recording that the path names. It is nil when that has been
// answered with a message.
func (s *Server) kept(w http.ResponseWriter, r *http.Request) *store.Recording {
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	if err != nil {
		s.message(w, r, http.StatusNotFound, fmt.Sprintf("%q is no recording's number.", r.PathValue("id")), "Go to the bench page, and from there to the logbook.")
		return nil
	}
	rec, err := s.Recordings.Recording(r.Context(), id)
	switch {
	case errors.Is(err, store.ErrNotFound):
		s.message(w, r, http.StatusNotFound, fmt.Sprintf("There is no recording %d in this logbook.", id), "Go to the bench page, and from there to the logbook.")
		return nil
	case err != nil:
		s.message(w, r, http.StatusInternalServerError, err.Error(), "Check the logbook's disk.")
		return nil
	}
	return rec
}

// newest is the page on which a recording is begun.
func (s *Server) newest(w http.ResponseWriter, r *http.Request) {
	list, err := s.Recordings.List(r.Context())
	if err != nil {
		s.message(w, r, http.StatusInternalServerError, err.Error(), "Check the logbook's disk.")
		return
	}
	if len(list) > 5 {
		list = list[:5]
	}
	s.page(w, http.StatusOK, "record.html", struct {
		head
		recorderPanel
		Latest []store.Summary
	}{s.head(r, "Recording"), s.panel(r), list})
}

// recorderPanel is what the buttons that start, mark and stop need.
type recorderPanel struct {
	Recorder bool
	Visitor  access.Visitor
}

func (s *Server) panel(r *http.Request) recorderPanel {
	return recorderPanel{s.Recorder != nil, access.Of(r.Context())}
}

type stripShown struct {
	recording.Channel
	Index    int
	Unit     string
	Decimals int // of one step of the converter
	Accuracy string
}

// recording serves /recording/3: the page, which asks for the samples itself.
func (s *Server) recording(w http.ResponseWriter, r *http.Request) {
	rec := s.kept(w, r)
	if rec == nil {
		return
	}
	data := struct {
		head
		recorderPanel
		Recording store.Summary
		Dated     bool
		Strips    []stripShown
		From, To  float64
		Charts    bool // the chart library was embedded
		Pictures  []string
		Rows      []tableRow
	}{head: s.head(r, "Recording"), recorderPanel: s.panel(r), Recording: rec.Summary, Dated: recording.Dated(rec.Begun), Charts: s.assets["chart.js"].body != nil, Pictures: pictures}
	data.From, data.To = stretch(r, rec)
	for i, c := range rec.Channels() {
		data.Strips = append(data.Strips, stripShown{c, i, c.Quantity.Unit(), decimals(c.Scale), c.Accuracy.String()})
	}
	var err error
	if data.Rows, err = tableOf(rec, data.From, data.To); err != nil {
		s.message(w, r, http.StatusInternalServerError, err.Error(), "Check the logbook's disk.")
		return
	}
	s.page(w, http.StatusOK, "recording.html", data)
}

// decimals are how many a value needs, that one step of the converter shows.
func decimals(step float64) int {
	if step <= 0 || step >= 1 {
		return 0
	}
	return min(6, int(math.Ceil(-math.Log10(step)-1e-9)))
}

// tableRows is how many stretches the table of a recording has.
const tableRows = 20

type tableRow struct {
	From, To string
	Cells    []string
}

// tableOf is the view as a table, for who sees no chart.
func tableOf(rec recording.Recording, from, to float64) ([]tableRow, error) {
	if to <= from {
		return nil, nil
	}
	rows := make([]tableRow, tableRows)
	digits := decimals((to - from) / tableRows / 10)
	seconds := func(t float64) string { return strconv.FormatFloat(t, 'f', digits, 64) }
	for i, c := range rec.Channels() {
		buckets, err := rec.View(i, from, to, tableRows)
		if err != nil {
			return nil, err
		}
		for j, b := range buckets {
			rows[j].From, rows[j].To = seconds(b.From), seconds(b.To)
			text := ""
			if b.Count > 0 {
				d := decimals(c.Scale)
				text = fmt.Sprintf("%.*f (%.*f to %.*f)", d, b.Mean, d, b.Min, d, b.Max)
			}
			rows[j].Cells = append(rows[j].Cells, text)
		}
	}
	return rows, nil
}

// exportRecording hands a recording over as a table.
func (s *Server) exportRecording(w http.ResponseWriter, r *http.Request) {
	rec := s.kept(w, r)
	if rec == nil {
		return
	}
	kind, write := "text/csv; charset=utf-8", tables.WriteCSV
	name := fmt.Sprintf("recording-%d.csv", rec.ID)
	if strings.HasSuffix(r.URL.Path, ".parquet") {
		kind, write, name = "application/vnd.apache.parquet", tables.WriteParquet, fmt.Sprintf("recording-%d.parquet", rec.ID)
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
	w.Header().Set("Cache-Control", "no-store")
	if err := write(w, rec, tables.All(rec)); err != nil {
		panic(http.ErrAbortHandler) // the browser must not take half a table for a whole one
	}
}
