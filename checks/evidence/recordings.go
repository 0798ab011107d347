package evidence

import (
	"context"
	"errors"
	"fmt"

	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/recording/store"
)

// A FoundRecording is what verifying a recording brought.
type FoundRecording struct {
	Recording int64    `json:"recording"`
	Digest    string   `json:"digest"`  // of its seal; "" for none
	Rows      int      `json:"rows"`    // that are stored of it
	Faults    []string `json:"faults"`  // none if it is as it was when it ended
	Vouched   bool     `json:"vouched"` // its digest stands in a worksheet's chain, or was written down
	Note      string   `json:"note"`    // what is no fault and should be known
}

// Proven tells whether nothing is wrong, and the digest is known from elsewhere.
func (f FoundRecording) Proven() bool { return len(f.Faults) == 0 && f.Vouched }

// VerifyRecording looks at every stored byte of a recording. The digests are what
// it must be by a worksheet's chain, or as written down; there may be none.
func VerifyRecording(ctx context.Context, st *store.Store, id int64, digests ...string) (FoundRecording, error) {
	f := FoundRecording{Recording: id, Faults: []string{}}
	seal, faults, err := st.Verify(ctx, id)
	switch {
	case errors.Is(err, store.ErrNoSeal) && len(digests) > 0:
		f.Faults = append(f.Faults, "it, or its seal, is missing from the logbook; a worksheet tells of it")
		return f, nil
	case errors.Is(err, store.ErrNoSeal):
		if _, err := st.Recording(ctx, id); err != nil {
			return f, err
		}
		f.Note = "it has no seal: it goes on, or was made by an earlier program"
		return f, nil
	case err != nil:
		return f, err
	}
	f.Digest, f.Rows = seal.Digest, seal.Rows
	f.Faults = append(f.Faults, faults...)
	f.Vouched = len(digests) > 0
	for _, d := range digests {
		if d != seal.Digest {
			f.Faults = append(f.Faults, "its digest is not the one that was kept of it: samples and seal were changed together")
		}
	}
	if !f.Vouched {
		f.Note = "no worksheet tells of it: compare its digest with what was written down, by --head"
	}
	return f, nil
}

// Digests are those of the recordings that worksheets tell of. One that no
// worksheet saw the end of has none.
func Digests(records []logbook.Record) map[int64]string {
	out := map[int64]string{}
	for _, x := range procedure.RecordingsIn(records) {
		if x.Digest != "" {
			out[x.Recording] = x.Digest
		}
	}
	return out
}

// String is what is wrong, in a line.
func (f FoundRecording) String() string {
	if len(f.Faults) == 0 {
		return fmt.Sprintf("%d rows, none was changed, is missing or was added", f.Rows)
	}
	return fmt.Sprintf("%d things are wrong", len(f.Faults))
}
