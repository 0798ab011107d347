package web

import (
	"errors"
	"fmt"
	"net/http"

	"loomproof/checks/evidence"
	"loomproof/checks/logbook"
	"loomproof/dashboard/access"
)

// signPage is the page on which a worksheet is signed.
type signPage struct {
	head
	Worksheet int64
	Head      string // hash of the last record that the page shows
	Open      []string
	Wrong     string // why it was not signed
	Word      evidence.Word
}

// sign serves the page on which a closed worksheet is signed, and signs it. The key
// is this machine's, so that only who sits at it can sign.
func (s *Server) sign(w http.ResponseWriter, r *http.Request) {
	if !access.Of(r.Context()).Local {
		s.message(w, r, http.StatusForbidden, "A worksheet is signed at the machine that holds the key.", "Back to the bench page.")
		return
	}
	sheet, _ := s.worksheet(w, r, "id")
	if sheet == nil {
		return
	}
	if !sheet.Closed() {
		s.message(w, r, http.StatusConflict, fmt.Sprintf("Worksheet %d is not finished. Go on with it, or close it as it is with: loomproof sign %d", sheet.ID(), sheet.ID()), "Back to the bench page.")
		return
	}
	records := sheet.Records()
	open, err := evidence.Open(records)
	if err != nil {
		s.message(w, r, http.StatusInternalServerError, err.Error(), "The worksheet's records cannot be read.")
		return
	}
	p := signPage{head: s.head(r, "Sign"), Worksheet: sheet.ID(), Head: records[len(records)-1].Hash, Open: open}
	if r.Method == http.MethodPost {
		if s.signed(w, r, &p, sheet) {
			return
		}
		s.page(w, http.StatusUnprocessableEntity, "sign.html", p)
		return
	}
	s.page(w, http.StatusOK, "sign.html", p)
}

// A signing is a signature and the fingerprint of its key.
type signing struct {
	*evidence.Statement
	key string
}

// signWith signs with this machine's key, which is made now if there is none yet:
// nothing is made by looking at the page.
func (s *Server) signWith(r *http.Request, sheet *logbook.Worksheet, said evidence.Word) (signing, error) {
	if _, err := evidence.MaySign(sheet, said); err != nil {
		return signing{}, err
	}
	key, err := s.Key()
	if err != nil {
		return signing{}, err
	}
	st, err := evidence.Sign(r.Context(), sheet, key, said)
	return signing{st, evidence.Fingerprint(key.Public())}, err
}

// signed signs by the form; false, with the reason on the page, if it did not.
func (s *Server) signed(w http.ResponseWriter, r *http.Request, p *signPage, sheet *logbook.Worksheet) bool {
	r.Body = http.MaxBytesReader(w, r.Body, maxAnswer)
	p.Word = evidence.Word{By: r.PostFormValue("by"), Capacity: r.PostFormValue("capacity"), Reason: r.PostFormValue("reason")}
	if r.PostFormValue("head") != p.Head {
		p.Wrong = "Something was added to the worksheet since the page was shown. Look at it again; nothing was signed."
		return false
	}
	st, err := s.signWith(r, sheet, p.Word)
	var left *evidence.StillOpen
	switch {
	case errors.As(err, &left):
		p.Wrong = "Say why what is open may remain open. Nothing was signed."
	case err != nil:
		p.Wrong = err.Error() + ". Nothing was signed."
	default:
		records := sheet.Records()
		s.message(w, r, http.StatusOK, fmt.Sprintf("Worksheet %d is signed by %s, %s. Key %s. Write down its last hash: %s",
			st.Worksheet, st.By, st.Capacity, st.key, records[len(records)-1].Hash), "Back to the bench page.")
	}
	return p.Wrong == ""
}
