package store

import (
	"context"
	"fmt"
	"os"
	"time"

	"loomproof/checks/recording/codec"
)

// killed is why a recording ended that nobody ended.
const killed = "stopped without a word: the program was killed, or the power went; all until then is kept"

// A hold on a recording is a locked file beside the logbook, for as long as
// somebody writes to it. It goes with whoever is killed, so that what was left
// open can be told from what goes on.
type hold struct{ file *os.File }

func (s *Store) hold(id int64) (h hold, free bool) {
	f, err := os.OpenFile(fmt.Sprintf("%s-recording-%d", s.book.Path(), id), os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return hold{}, false
	}
	if !tryLock(f) {
		f.Close()
		return hold{}, false
	}
	return hold{f}, true
}

func (h hold) release() {
	if h.file != nil {
		_ = os.Remove(h.file.Name()) // a file that stays says nothing: its lock does
		_ = h.file.Close()
	}
}

// mend ends the recordings that were left open by a program that is gone: what
// stands in tails goes into chunks, and they end with their last sample. One that
// cannot be mended, as on a full disk, stays as it is; it can be read all the
// same, and the next who opens the logbook tries again.
func (s *Store) mend(ctx context.Context) {
	for _, id := range s.left(ctx) {
		if h, free := s.hold(id); free {
			_ = s.fold(ctx, id)
			h.release()
		}
	}
}

// left lists the recordings that have no end.
func (s *Store) left(ctx context.Context) (ids []int64) {
	rows, err := s.db.QueryContext(ctx, "SELECT id FROM recordings WHERE ended IS NULL AND format = ? ORDER BY id", format)
	if err != nil {
		return nil
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		if rows.Scan(&id) == nil {
			ids = append(ids, id)
		}
	}
	return ids
}

// fold puts the tails of a recording into chunks and ends it.
func (s *Store) fold(ctx context.Context, id int64) error {
	r, err := s.Recording(ctx, id)
	if err != nil || !r.Ended.IsZero() {
		return err // somebody else was quicker
	}
	end := 0.0
	for i := range r.channels {
		_, to := r.Span(i)
		end = max(end, to)
	}
	w := &Writer{store: s, id: id, coder: codec.New(), marked: len(r.markers)}
	first := 0
	for i, about := range r.streams {
		st := &stream{Stream: about, first: first, clocks: map[int]*tying{}, saved: map[int]clock{}}
		first += len(about.Channels)
		for _, e := range r.eras[i] {
			st.saved[e.number] = clock{} // the ties on disk stay
		}
		if err := r.refill(st); err != nil {
			return err
		}
		w.streams = append(w.streams, st)
	}
	if err := w.commit(ctx, &ending{r.Begun.Add(time.Duration(end * float64(time.Second))), killed}); err != nil {
		return err
	}
	return s.seal(ctx, id)
}

// refill takes the tails of a stream back into memory. The pyramid goes on with
// rows of its own.
func (r *Recording) refill(st *stream) error {
	parts, _, err := r.tail(r.store.db, st.first)
	if err != nil {
		return err
	}
	for _, p := range parts {
		var runs []run
		codes := make([][]int32, len(st.Channels))
		for i := range codes {
			if runs, codes[i], err = unpackTail(i, nil, p.body); err != nil {
				return err
			}
		}
		at := 0
		for _, run := range runs {
			seg, err := st.segmentFor(p.era, run)
			if err != nil {
				return err
			}
			seg.runs = appendRun(seg.runs, run)
			for i := range codes {
				seg.codes[i] = append(seg.codes[i], codes[i][at:at+run.n]...)
			}
			at += run.n
		}
	}
	st.parts = len(parts)
	if len(st.segments) > 0 {
		st.kept = len(st.segments[len(st.segments)-1].codes[0])
	}
	return nil
}
