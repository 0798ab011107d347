package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"loomproof/checks/photograph"
	"loomproof/checks/procedure"
	"loomproof/dashboard/access"
)

// photograph takes a picture for the worksheet that is being performed: the body is
// the picture, step names the step that it is of, by who took it.
func (s *Server) photograph(w http.ResponseWriter, r *http.Request) {
	v := access.Of(r.Context())
	if v.Right != access.MayAnswer {
		http.Error(w, "This device may only watch.", http.StatusForbidden)
		return
	}
	picture, err := io.ReadAll(http.MaxBytesReader(w, r.Body, photograph.MostBytes+1))
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		http.Error(w, fmt.Sprintf("The picture is too large: at most %d MB are kept. Set the camera to smaller pictures.", photograph.MostBytes>>20), http.StatusRequestEntityTooLarge)
		return
	case err != nil:
		http.Error(w, "The picture did not come through. Send it again.", http.StatusBadRequest)
		return
	}
	by, _ := nameAndCapacity(strings.TrimSpace(r.URL.Query().Get("by")), "")
	if !v.Local {
		by = v.Name
	}
	p, err := s.Desk.Photograph(r.Context(), picture, r.URL.Query().Get("step"), by)
	switch {
	case errors.Is(err, procedure.ErrNoWorksheet):
		http.Error(w, err.Error(), http.StatusConflict)
	case err != nil:
		http.Error(w, err.Error(), http.StatusUnprocessableEntity)
	default:
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(http.StatusCreated)
		_ = json.NewEncoder(w).Encode(p)
	}
}
