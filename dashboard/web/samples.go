package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"strconv"

	"loomproof/checks/groundrun"
	"loomproof/checks/recording"
)

// stretch is the part of the recording that the request asks for: the whole,
// unless from and to say otherwise.
func stretch(r *http.Request, rec recording.Recording) (from, to float64) {
	begin, end := extent(rec)
	number := func(name string, otherwise float64) float64 {
		v, err := strconv.ParseFloat(r.FormValue(name), 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return otherwise
		}
		return v
	}
	return number("from", begin), number("to", end)
}

// extent is from the first sample of any channel to the end of the last.
func extent(rec recording.Recording) (from, to float64) {
	from, to = math.Inf(1), math.Inf(-1)
	for i := range rec.Channels() {
		a, b := rec.Span(i)
		if b > a {
			from, to = math.Min(from, a), math.Max(to, b)
		}
	}
	if to < from {
		return 0, 0
	}
	return from, to
}

// viewed is a stretch of a recording as the charts take it.
type viewed struct {
	From     float64            `json:"from"`
	To       float64            `json:"to"`
	Begin    float64            `json:"begin"` // of the whole recording
	End      float64            `json:"end"`
	Ended    bool               `json:"ended"`
	Markers  []recording.Marker `json:"markers"`
	Channels []strip            `json:"channels"`
}

// A strip is one channel of it: single samples, or the least, most and mean of
// stretches. Where samples are missing stands a null.
type strip struct {
	Single bool    `json:"single"`
	At     numbers `json:"at"` // of a sample, or the middle of a stretch
	Mean   numbers `json:"mean"`
	Least  numbers `json:"least,omitempty"`
	Most   numbers `json:"most,omitempty"`
}

// numbers are written short; NaN is null.
type numbers []float64

func (n numbers) MarshalJSON() ([]byte, error) {
	out := make([]byte, 0, 10*len(n)+2)
	out = append(out, '[')
	for i, v := range n {
		if i > 0 {
			out = append(out, ',')
		}
		if math.IsNaN(v) {
			out = append(out, "null"...)
		} else {
			out = strconv.AppendFloat(out, v, 'g', 12, 64)
		}
	}
	return append(out, ']'), nil
}

// mostColumns is how many stretches a view can be asked for in.
const mostColumns = 4000

// view serves /recording/3/view?from=10&to=20&n=800.
func (s *Server) view(w http.ResponseWriter, r *http.Request) {
	rec := s.kept(w, r)
	if rec == nil {
		return
	}
	n, err := strconv.Atoi(r.FormValue("n"))
	if err != nil || n < 1 || n > mostColumns {
		http.Error(w, fmt.Sprintf("n is the number of columns, 1 to %d.", mostColumns), http.StatusBadRequest)
		return
	}
	v := viewed{Ended: !rec.Ended.IsZero(), Markers: append([]recording.Marker{}, rec.Markers()...), Channels: []strip{}}
	v.Begin, v.End = extent(rec)
	if v.From, v.To = stretch(r, rec); v.To <= v.From && v.End > v.Begin {
		http.Error(w, "The stretch ends before it begins: from is in seconds, and below to.", http.StatusBadRequest)
		return
	}
	for i := range rec.Channels() {
		st, err := stripOf(rec, i, v.From, v.To, n)
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		v.Channels = append(v.Channels, st)
	}
	writeJSON(w, v)
}

func writeJSON(w http.ResponseWriter, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(body)
}

// stripOf is single samples where there are at most two to a column, else
// columns.
func stripOf(rec recording.Recording, channel int, from, to float64, n int) (strip, error) {
	if single, ok, err := samples(rec, channel, from, to, 2*n); ok || err != nil {
		return single, err
	}
	buckets, err := rec.View(channel, from, to, n)
	if err != nil {
		return strip{}, err
	}
	var out strip
	for _, b := range buckets {
		least, most, mean := b.Min, b.Max, b.Mean
		if b.Count == 0 {
			least, most, mean = math.NaN(), math.NaN(), math.NaN()
		}
		out.At = append(out.At, (b.From+b.To)/2)
		out.Least, out.Most, out.Mean = append(out.Least, least), append(out.Most, most), append(out.Mean, mean)
	}
	return out, nil
}

// samples are the single samples of a stretch, if they are not more than most.
func samples(rec recording.Recording, channel int, from, to float64, most int) (out strip, ok bool, err error) {
	c := rec.Channels()[channel]
	if (to-from)*c.Rate > float64(most) && c.Rate > 0 {
		return strip{}, false, nil
	}
	out = strip{Single: true, At: numbers{}, Mean: numbers{}}
	var before recording.Block
	for b, err := range rec.Blocks(channel, from, to) {
		if err != nil {
			return strip{}, false, err
		}
		if g, has := recording.Between(before, b); has && len(out.At) > 0 && g.To < to {
			out.At, out.Mean = append(out.At, (g.From+g.To)/2), append(out.Mean, math.NaN())
		}
		for i, code := range b.Codes {
			if at := b.At(i); at >= from && at < to {
				out.At, out.Mean = append(out.At, at), append(out.Mean, c.Value(code))
			}
		}
		if len(out.At) > most {
			return strip{}, false, nil
		}
		before = b
	}
	return out, true, nil
}

// mostOfSpectrum is how many samples a spectrum is taken of at most: of a longer
// stretch, those in its middle.
const mostOfSpectrum = 1 << 20

// spectrum serves /recording/3/spectrum?channel=0&from=10&to=20.
func (s *Server) spectrum(w http.ResponseWriter, r *http.Request) {
	rec := s.kept(w, r)
	if rec == nil {
		return
	}
	channel, err := strconv.Atoi(r.FormValue("channel"))
	if err != nil || channel < 0 || channel >= len(rec.Channels()) {
		http.Error(w, "channel is the place of one in the recording, from 0.", http.StatusBadRequest)
		return
	}
	from, to := stretch(r, rec)
	if extra := to - from - mostOfSpectrum/rec.Channels()[channel].Rate; extra > 0 {
		from, to = from+extra/2, to-extra/2
	}
	found, err := groundrun.SpectrumOf(rec, channel, from, to)
	switch {
	case errors.Is(err, groundrun.ErrNothing):
		http.Error(w, err.Error(), http.StatusUnprocessableEntity)
		return
	case err != nil:
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	out := struct {
		From      float64 `json:"from"`
		To        float64 `json:"to"`
		Bin       float64 `json:"bin_hz"`
		Top       float64 `json:"top_hz"` // beyond it filters are not known
		Windows   int     `json:"windows"`
		Amplitude numbers `json:"amplitude"`
	}{from, to, found.Bin, found.Top, found.Windows, numbers(found.Amplitude)}
	writeJSON(w, out)
}
