package web

import (
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"time"

	"loomproof/checks/procedure"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
	"loomproof/dashboard/band"
	"loomproof/probe/keyboard"
	"loomproof/probe/sources"
)

// frame is what the page is sent at each change: all but the steps it has.
type frame struct {
	Aircraft  string              `json:"aircraft"`
	Procedure string              `json:"procedure"`
	Now       procedure.Now       `json:"now"`
	Settle    int64               `json:"settle"` // milliseconds before which no answer is taken
	Typed     string              `json:"typed"`  // how what is asked for is typed; "" for words
	Next      string              `json:"next"`   // what comes after it, if nothing is wrong
	Sources   []sourceHealth      `json:"sources"`
	Live      *procedure.Live     `json:"live"`
	Reading   string              `json:"reading"` // the live value as people write it
	Picture   string              `json:"picture"` // the band, as SVG
	Wanted    string              `json:"wanted"`  // what the reading should be, in words
	Verdict   string              `json:"verdict"`
	Stamp     string              `json:"stamp"`
	Done      int                 `json:"done"`
	Circuits  int                 `json:"circuits"`
	ByHand    bool                `json:"by_hand"` // nothing on the bench can cut the power
	Findings  []procedure.Finding `json:"findings"`
	Cautions  []string            `json:"cautions"`
	Sheet     int64               `json:"worksheet"`
	From      int                 `json:"from"` // where Steps go on
	Steps     []stepRow           `json:"steps"`
}

type stepRow struct {
	ID      string `json:"id"`
	Title   string `json:"title"`
	Value   string `json:"value"`
	Allowed string `json:"allowed"`
	Before  string `json:"before"` // what was read there the time before
	Rule    string `json:"rule"`
	Picture string `json:"picture"`
	Stamp   string `json:"stamp"`
	Note    string `json:"note"`
	Again   bool   `json:"again"` // it can be done again
}

// A sourceHealth says how an instrument is.
type sourceHealth struct {
	Name string `json:"name"`
	Good bool   `json:"good"`
	Says string `json:"says"`
}

// health tells of every source.
func (s *Server) health() []sourceHealth {
	out := []sourceHealth{}
	for _, x := range s.Sources {
		st := x.Status()
		h := sourceHealth{Name: st.Name, Good: st.State == sources.Up, Says: map[sources.State]string{sources.Up: "answers", sources.Silent: "does not answer", sources.Gone: "is not there"}[st.State]}
		if st.Trouble != "" {
			h.Says += ": " + st.Trouble
		}
		out = append(out, h)
	}
	return out
}

// How often a page is sent changes at most, how often it is sent a sign of life
// when there are none (the page gives a line up that is silent for three of
// them), and how soon it looks for a lost line.
const (
	atMost    = 50 * time.Millisecond
	heartbeat = 5 * time.Second
	lookAgain = time.Second
)

// events sends the page what changes, for as long as it listens. A slow page
// gets fewer frames, never late ones: each holds the newest state.
func (s *Server) events(w http.ResponseWriter, r *http.Request) {
	flush, ok := w.(http.Flusher)
	if !ok {
		http.Error(w, "no streaming here", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(http.StatusOK)
	if _, err := fmt.Fprintf(w, "retry: %d\n\n", lookAgain.Milliseconds()); err != nil {
		return
	}
	if s.Looked != nil {
		s.Looked()
	}
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	pause := time.NewTimer(0)
	defer pause.Stop()
	sent, sheet := 0, int64(0)
	for {
		v, changed := s.Desk.View()
		if v.Worksheet != sheet || sent > len(v.Steps) {
			sent, sheet = 0, v.Worksheet
		}
		f := makeFrame(v, sent)
		f.Sources = s.health()
		f.Settle = v.Settle.Milliseconds()
		body, err := json.Marshal(f)
		if err != nil {
			return
		}
		if _, err := fmt.Fprintf(w, "data: %s\n\n", body); err != nil {
			return
		}
		flush.Flush()
		sent = len(v.Steps)
		pause.Reset(atMost)
		select {
		case <-pause.C:
		case <-r.Context().Done():
			return
		}
		for waiting := true; waiting; {
			select {
			case <-changed:
				waiting = false
			case <-beat.C:
				if err := event(w, "here", s.health()); err != nil {
					return
				}
				flush.Flush()
			case <-r.Context().Done():
				return
			}
		}
	}
}

func makeFrame(v procedure.View, from int) frame {
	f := frame{
		Aircraft: v.Aircraft, Procedure: v.Procedure,
		Now: v.Now, Next: v.Next, Live: v.Live, Verdict: v.Verdict, Stamp: string(soFar(v)), Done: v.Done, Circuits: v.Circuits, ByHand: v.ByHand,
		Findings: v.Findings, Cautions: v.Cautions, Sheet: v.Worksheet, From: from, Steps: []stepRow{},
	}
	switch {
	case v.Now.Number != "":
		f.Typed = keyboard.How(v.Now.Number)
	case v.Now.Write == procedure.WriteWords && v.Now.Quantity != "":
		f.Typed = keyboard.HowShown(v.Now.Quantity)
	}
	if v.Live != nil && v.Live.Unit != "" {
		f.Reading = units.Format(v.Live.Value, v.Live.Unit)
	}
	if s := v.Now.Step; s != nil {
		b := band.Of(*s)
		if v.Live != nil && v.Live.Unit != "" {
			b.Reading = &v.Live.Value
		}
		f.Picture = string(b.SVG(600))
		if s.Design != nil {
			f.Wanted = "design value " + units.Format(*s.Design, s.Unit) + ", allowed " + b.Allowed()
		}
	}
	for _, s := range v.Steps[from:] {
		f.Steps = append(f.Steps, row(s))
	}
	return f
}

// soFar is the verdict of a worksheet that has ended; of one that has not, how
// many steps have which.
func soFar(v procedure.View) template.HTML {
	if v.Now.Kind == procedure.DoEnded {
		return band.Stamp(v.Verdict)
	}
	count := map[string]int{}
	for _, s := range procedure.Latest(v.Steps) {
		count[s.Verdict]++
	}
	out := template.HTML("so far")
	for _, w := range []verdict.Word{verdict.Fail, verdict.Undecided, verdict.NotDone, verdict.Pass} {
		if n := count[string(w)]; n > 0 {
			out += " " + band.Tally(string(w), n)
		}
	}
	if len(count) == 0 {
		return ""
	}
	return out
}

func row(s procedure.Step) stepRow {
	b := band.Of(s)
	r := stepRow{ID: s.ID, Title: s.Title, Rule: s.Rule.String(), Stamp: string(band.Stamp(s.Verdict)), Note: s.Note, Again: s.Again()}
	if s.Reading != nil {
		r.Value, r.Allowed, r.Before, r.Picture = b.Value(), b.Allowed(), b.Before(), string(b.SVG(150))
	}
	return r
}
