package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"loomproof/checks/recording/recorder"
	"loomproof/dashboard/access"
)

// stateAtMost is how often the state of the recorder is sent at most.
const stateAtMost = 250 * time.Millisecond

func (s *Server) recorderState(w http.ResponseWriter, _ *http.Request) {
	state, _ := s.Recorder.State()
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_ = json.NewEncoder(w).Encode(state)
}

// recorderLive sends what is recorded as it comes, for as long as the page
// listens: the event state is a [recorder.State], block a [recorder.Block], and
// here a sign of life.
func (s *Server) recorderLive(w http.ResponseWriter, r *http.Request) {
	flush, ok := w.(http.Flusher)
	if !ok {
		http.Error(w, "no streaming here", http.StatusInternalServerError)
		return
	}
	blocks, cancel := s.Recorder.Live()
	defer cancel()
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(http.StatusOK)
	if _, err := fmt.Fprintf(w, "retry: %d\n\n", lookAgain.Milliseconds()); err != nil {
		return
	}
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	pause := time.NewTimer(0)
	defer pause.Stop()
	var changed <-chan struct{} // nil while the pause lasts
	for {
		var err error
		select {
		case <-r.Context().Done():
			return
		case <-pause.C:
			var state recorder.State
			state, changed = s.Recorder.State()
			err = event(w, "state", state)
		case <-changed:
			changed = nil
			pause.Reset(stateAtMost)
		case list := <-blocks:
			for _, b := range list {
				err = errors.Join(err, event(w, "block", b))
			}
		case <-beat.C:
			_, err = fmt.Fprint(w, "event: here\ndata:\n\n")
		}
		if err != nil {
			return
		}
		flush.Flush()
	}
}

// event writes one event of a stream.
func event(w io.Writer, name string, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "event: %s\ndata: %s\n\n", name, body)
	return err
}

func (s *Server) recorderStart(w http.ResponseWriter, r *http.Request) {
	var o recorder.Order
	if s.ordered(w, r, &o, &o.By) {
		replyRecorder(w, s.Recorder.Start(r.Context(), o))
	}
}

func (s *Server) recorderMark(w http.ResponseWriter, r *http.Request) {
	var m struct {
		By   string `json:"by"`
		Text string `json:"text"`
	}
	if !s.ordered(w, r, &m, &m.By) {
		return
	}
	if m.Text = strings.TrimSpace(m.Text); m.Text == "" {
		http.Error(w, "Say what the marker is of.", http.StatusBadRequest)
		return
	}
	replyRecorder(w, s.Recorder.Mark(m.Text, m.By))
}

func (s *Server) recorderStop(w http.ResponseWriter, r *http.Request) {
	var o struct {
		By string `json:"by"`
	}
	if s.ordered(w, r, &o, &o.By) {
		// It is stopped, whether the page waits for that or not.
		_, err := s.Recorder.Stop(context.WithoutCancel(r.Context()))
		replyRecorder(w, err)
	}
}

// ordered reads what a device that may answer wants of the recorder, and who
// wants it; false when it was refused.
func (s *Server) ordered(w http.ResponseWriter, r *http.Request, order any, by *string) bool {
	v := access.Of(r.Context())
	if v.Right != access.MayAnswer {
		http.Error(w, "This device may only watch.", http.StatusForbidden)
		return false
	}
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxAnswer))
	d.DisallowUnknownFields()
	if err := d.Decode(order); err != nil {
		http.Error(w, "That is no order for the recorder: "+err.Error(), http.StatusBadRequest)
		return false
	}
	*by, _ = nameAndCapacity(strings.TrimSpace(*by), "")
	if !v.Local {
		*by = v.Name
	}
	if *by == "" {
		http.Error(w, "Say who you are: fill in your name.", http.StatusBadRequest)
		return false
	}
	return true
}

// replyRecorder says what became of an order.
func replyRecorder(w http.ResponseWriter, err error) {
	switch {
	case errors.Is(err, recorder.ErrBusy), errors.Is(err, recorder.ErrIdle):
		http.Error(w, err.Error(), http.StatusConflict)
	case err != nil:
		http.Error(w, err.Error(), http.StatusBadRequest)
	default:
		w.WriteHeader(http.StatusNoContent)
	}
}
