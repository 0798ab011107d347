// Package web serves what people see: the bench page, which follows the
// worksheet live and takes answers at hold points, and the reports.
//
//	h := web.New(web.Options{Desk: desk, Book: book})
//	http.Serve(listener, h)
//
// A guard of [access] stands before it and says who asks. A request that changes
// anything must come from its own pages and from a device that may answer;
// nothing is ever loaded from another host.
package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"encoding/json"
	"errors"
	"html/template"
	"io"
	"net/http"
	"path"
	"strings"
	"time"

	"loomproof/checks/design"
	"loomproof/checks/evidence"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/recording"
	"loomproof/checks/recording/recorder"
	"loomproof/checks/recording/store"
	"loomproof/dashboard/access"
	"loomproof/dashboard/band"
	"loomproof/dashboard/report"
	"loomproof/probe/keyboard"
	"loomproof/probe/sources"
)

//go:embed static chart/built *.html
var files embed.FS

var pages = template.Must(template.New("").Funcs(template.FuncMap{"begun": begun}).ParseFS(files, "*.html"))

// begun is when a recording was begun, to the minute, as far as anybody knows.
func begun(at time.Time) string {
	if !recording.Dated(at) {
		return "no date"
	}
	return at.Local().Format("2 Jan 2006 15:04")
}

// Options say what the pages show.
type Options struct {
	Desk       *procedure.Desk
	Book       *logbook.Book
	Design     *design.Design                // nil leaves the pages of the aircraft out
	Metrics    http.Handler                  // nil leaves /metrics out
	Devices    http.Handler                  // the page of paired devices; nil if there are none
	Recordings *store.Store                  // nil leaves the pages of recordings out
	Sources    []*sources.Source             // whose health the pages tell
	Recorder   *recorder.Recorder            // starts, marks and stops; nil leaves the buttons out
	Key        func() (*evidence.Key, error) // opens the key to sign with; nil leaves signing out
	Known      func() evidence.Known         // the keys that are vouched for here; nil for none
	Looked     func()                        // is told when somebody looks at the bench page; nil tells nobody
	Demo       string                        // what to say of an emulated bench; "" on a real one
}

// Server answers the browser.
type Server struct {
	Options
	mux    *http.ServeMux
	origin *http.CrossOriginProtection
	assets map[string]asset

	analyses analyses
	told     told
}

type asset struct {
	body []byte
	tag  string
	kind string
}

// New makes the server.
func New(o Options) *Server {
	s := &Server{Options: o, mux: http.NewServeMux(), origin: http.NewCrossOriginProtection(), assets: loadAssets()}
	s.mux.HandleFunc("GET /{$}", s.bench)
	s.mux.HandleFunc("GET /events", s.events)
	s.mux.HandleFunc("POST /answer", s.answer)
	s.mux.HandleFunc("POST /word", s.word)
	s.mux.HandleFunc("POST /photograph", s.photograph)
	s.mux.HandleFunc("GET /report/{id}", s.report)
	s.mux.HandleFunc("GET /why/{id}", s.why)
	s.mux.HandleFunc("GET /compare/{id}", s.compare)
	s.mux.HandleFunc("GET /compare/{id}/{later}", s.compare)
	s.mux.HandleFunc("GET /static/{name}", s.static)
	if o.Metrics != nil {
		s.mux.Handle("GET /metrics", o.Metrics)
	}
	if o.Design != nil {
		s.mux.HandleFunc("GET /aircraft", s.aircraft)
		s.mux.HandleFunc("GET /aircraft/{circuit}", s.circuit)
		s.mux.HandleFunc("GET /design", s.design)
	}
	if o.Book != nil {
		s.mux.HandleFunc("GET /logbook", s.logbook)
		s.mux.HandleFunc("GET /compare", s.chosen)
		s.mux.HandleFunc("GET /verify/{id}", s.verify)
		s.mux.HandleFunc("GET /export/{id}", s.export)
	}
	if o.Recordings != nil {
		s.recordingRoutes()
	}
	if o.Book != nil && o.Key != nil {
		s.mux.HandleFunc("GET /sign/{id}", s.sign)
		s.mux.HandleFunc("POST /sign/{id}", s.sign)
	}
	if o.Recorder != nil {
		s.mux.HandleFunc("GET /recorder/state", s.recorderState)
		s.mux.HandleFunc("GET /recorder/live", s.recorderLive)
		s.mux.HandleFunc("POST /recorder/start", s.recorderStart)
		s.mux.HandleFunc("POST /recorder/mark", s.recorderMark)
		s.mux.HandleFunc("POST /recorder/stop", s.recorderStop)
	}
	if o.Devices != nil {
		s.mux.Handle("/devices", o.Devices)
		s.mux.Handle("/devices/", o.Devices)
	}
	s.mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		s.message(w, r, http.StatusNotFound, "There is no such page.", "Go to the bench page.")
	})
	return s
}

// ServeHTTP checks where a request comes from, and answers it.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", access.Policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	if err := s.origin.Check(r); err != nil {
		s.message(w, r, http.StatusForbidden, "That came from another site.", "Answer on the dashboard's own page.")
		return
	}
	s.mux.ServeHTTP(w, r)
}

func loadAssets() map[string]asset {
	out := map[string]asset{}
	kinds := map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}
	for _, dir := range []string{"static", "chart/built"} { // the second has what `make chart` made, if it was called
		entries, err := files.ReadDir(dir)
		if err != nil {
			panic(err)
		}
		for _, e := range entries {
			kind, ours := kinds[path.Ext(e.Name())]
			if !ours {
				continue
			}
			body, err := files.ReadFile(dir + "/" + e.Name())
			if err != nil {
				panic(err)
			}
			if e.Name() == "bench.css" { // the first of every page
				body = append([]byte(band.Palette), body...)
			}
			sum := sha256.Sum256(body)
			out[e.Name()] = asset{body, `"` + hex.EncodeToString(sum[:8]) + `"`, kind}
		}
	}
	return out
}

func (s *Server) static(w http.ResponseWriter, r *http.Request) {
	a, ok := s.assets[r.PathValue("name")]
	if !ok {
		s.message(w, r, http.StatusNotFound, "There is no such page.", "Go to the bench page.")
		return
	}
	w.Header().Set("Content-Type", a.kind)
	w.Header().Set("ETag", a.tag)
	w.Header().Set("Cache-Control", "no-cache")
	if r.Header.Get("If-None-Match") == a.tag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	_, _ = w.Write(a.body)
}

// page renders to a buffer first, so that a mistake is a clean error.
func (s *Server) page(w http.ResponseWriter, code int, name string, data any) {
	var b bytes.Buffer
	if err := pages.ExecuteTemplate(&b, name, data); err != nil {
		http.Error(w, "The page could not be made: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_, _ = b.WriteTo(w)
}

func (s *Server) message(w http.ResponseWriter, r *http.Request, code int, what, do string) {
	s.page(w, code, "message.html", struct {
		head
		What, Do string
	}{s.head(r, what), what, do})
}

func (s *Server) bench(w http.ResponseWriter, r *http.Request) {
	v, _ := s.Desk.View()
	s.page(w, http.StatusOK, "bench.html", struct {
		head
		View    procedure.View
		Demo    string
		Visitor access.Visitor
		Signing bool
	}{s.head(r, "Bench"), v, s.Demo, access.Of(r.Context()), s.Key != nil && access.Of(r.Context()).Local})
}

// maxAnswer is the size of an answer in bytes beyond which it is refused.
const maxAnswer = 4096

// answer takes a person's word. A number comes as it was typed, and is read as the
// terminal reads it.
func (s *Server) answer(w http.ResponseWriter, r *http.Request) {
	if access.Of(r.Context()).Right != access.MayAnswer {
		http.Error(w, "This device may only watch.", http.StatusForbidden)
		return
	}
	var a procedure.Answer
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxAnswer))
	d.DisallowUnknownFields()
	if err := d.Decode(&a); err != nil {
		http.Error(w, "That is no answer: "+err.Error(), http.StatusBadRequest)
		return
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		http.Error(w, "That is more than one answer. Send one answer at a time.", http.StatusBadRequest)
		return
	}
	a.By = strings.TrimSpace(a.By)
	if v := access.Of(r.Context()); !v.Local {
		a.By = v.Name
	}
	if a.By == "" {
		http.Error(w, "Say who answers: fill in your name.", http.StatusBadRequest)
		return
	}
	a.By, a.As = nameAndCapacity(a.By, a.As)
	if v, _ := s.Desk.View(); v.Now.ID == a.ID && v.Now.Number != "" {
		var err error
		if a.Number, a.Above, err = keyboard.Asked(a.Text, v.Now.Number); err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		a.Text = ""
	}
	reply(w, s.Desk.Answer(a))
}

// nameAndCapacity takes apart what a person writes in one field: Tove Lind, builder.
func nameAndCapacity(by, as string) (name, capacity string) {
	name, capacity, has := strings.Cut(by, ",")
	if !has || as != "" {
		return by, as
	}
	return strings.TrimSpace(name), strings.TrimSpace(capacity)
}

// word takes what a person says without being asked: smoke, or that something
// is left out or is to be read again.
func (s *Server) word(w http.ResponseWriter, r *http.Request) {
	var said procedure.Word
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxAnswer))
	d.DisallowUnknownFields()
	if err := d.Decode(&said); err != nil {
		http.Error(w, "That is no word: "+err.Error(), http.StatusBadRequest)
		return
	}
	v := access.Of(r.Context())
	// Anybody who sees smoke may say so, on a device that may only watch, too.
	if v.Right != access.MayAnswer && said.Kind != procedure.WordSmoke {
		http.Error(w, "This device may only watch.", http.StatusForbidden)
		return
	}
	said.By, _ = nameAndCapacity(strings.TrimSpace(said.By), "")
	if !v.Local {
		said.By = v.Name
	}
	if said.By == "" && said.Kind == procedure.WordSmoke {
		said.By = "somebody at a screen" // there is no time to ask for a name
	}
	if said.By == "" {
		http.Error(w, "Say who you are: fill in your name.", http.StatusBadRequest)
		return
	}
	reply(w, s.Desk.Say(said))
}

// reply says what became of what a person gave.
func reply(w http.ResponseWriter, err error) {
	var held *procedure.HeldError
	switch {
	case errors.As(err, &held):
		http.Error(w, err.Error(), http.StatusLocked)
	case errors.Is(err, procedure.ErrNothing):
		http.Error(w, err.Error(), http.StatusConflict)
	case errors.Is(err, procedure.ErrAnswered):
		http.Error(w, err.Error(), http.StatusConflict)
	case errors.Is(err, procedure.ErrTooSoon):
		http.Error(w, err.Error(), http.StatusTooEarly)
	case err != nil:
		http.Error(w, err.Error(), http.StatusBadRequest)
	default:
		w.WriteHeader(http.StatusNoContent)
	}
}

// report serves /report/3 as a page, /report/3.json for machines, and
// /report/3.csv with the steps for a spreadsheet.
func (s *Server) report(w http.ResponseWriter, r *http.Request) {
	if name, asCSV := strings.CutSuffix(r.PathValue("id"), ".csv"); asCSV {
		r.SetPathValue("id", name)
		s.stepsCSV(w, r)
		return
	}
	sheet, asJSON := s.worksheet(w, r, "id")
	if sheet == nil {
		return
	}
	rep, err := report.New(sheet)
	if err != nil {
		s.message(w, r, http.StatusInternalServerError, err.Error(), "The worksheet's records cannot be read.")
		return
	}
	if err := rep.AddSince(r.Context(), s.Book, sheet); err != nil {
		s.message(w, r, http.StatusInternalServerError, err.Error(), "An earlier worksheet's records cannot be read.")
		return
	}
	if err := rep.AddRuns(r.Context(), s.Book); err != nil {
		s.message(w, r, http.StatusInternalServerError, err.Error(), "A recording of the worksheet cannot be read.")
		return
	}
	s.whole(w, r, asJSON, sheet.ID(), rep)
}
