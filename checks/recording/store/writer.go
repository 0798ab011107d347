package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"loomproof/checks/recording"
	"loomproof/checks/recording/codec"
)

// A Writer adds to one recording. One goroutine uses it at a time.
type Writer struct {
	store   *Store
	id      int64
	streams []*stream
	coder   *codec.Coder

	markers []recording.Marker // not yet on disk
	marked  int                // on disk
	ended   bool
	hold    hold
}

// A Piece is samples of a stream: of each of its channels as many.
type Piece struct {
	Era    int   // how often the device's clock has begun anew; never less than before
	Tick   int64 // the device's time of the first scan
	Period int64 // from scan to scan, in ticks; 0 of a single scan without a pace
	Codes  [][]int32
}

// A stream is what a Writer still holds of one.
type stream struct {
	Stream
	first    int // number of its first channel
	segments []segment
	kept     int // scans of the first segment that are on disk, in tails
	parts    int // rows of tails on disk
	pyramids []*pyramid
	era      int // of the pyramids
	clocks   map[int]*tying
	saved    map[int]clock
}

// A segment is the scans of one era that are in no chunk yet.
type segment struct {
	era   int
	runs  []run
	codes [][]int32
}

// Begin opens a new recording.
func (s *Store) Begin(ctx context.Context, o Opening) (*Writer, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	about, err := json.Marshal(o)
	if err != nil {
		return nil, fmt.Errorf("recording: %w", err)
	}
	res, err := s.db.ExecContext(ctx, "INSERT INTO recordings (format, begun, about) VALUES (?, ?, ?)", format, o.Start.UTC().Format(time.RFC3339Nano), string(about))
	if err != nil {
		return nil, s.book.Explain(err)
	}
	id, err := res.LastInsertId()
	if err != nil {
		return nil, s.book.Explain(err)
	}
	w := &Writer{store: s, id: id, coder: codec.New()}
	w.hold, _ = s.hold(id) // without it, another program could end it early
	first := 0
	for _, st := range o.Streams {
		w.streams = append(w.streams, &stream{Stream: st, first: first, clocks: map[int]*tying{}, saved: map[int]clock{}})
		first += len(st.Channels)
	}
	return w, nil
}

func (o Opening) check() error {
	seen := map[string]bool{}
	for _, st := range o.Streams {
		if len(st.Channels) == 0 || !(st.TickHz > 0) {
			return fmt.Errorf("recording: stream of %q: it needs a channel and a clock", st.Device)
		}
		for _, c := range st.Channels {
			switch {
			case c.Name == "" || seen[c.Name]:
				return fmt.Errorf("recording: channel %q: each needs a name of its own", c.Name)
			case !(c.Scale > 0):
				return fmt.Errorf("recording: channel %s: scale %v is not above 0", c.Name, c.Scale)
			}
			seen[c.Name] = true
		}
	}
	if len(seen) == 0 {
		return fmt.Errorf("recording: name at least one channel")
	}
	return nil
}

// ID is the recording's number.
func (w *Writer) ID() int64 { return w.id }

// Append adds a piece, in memory; the codes are copied. It refuses a piece whose
// time runs backwards.
func (w *Writer) Append(stream int, p Piece) error {
	st := w.streams[stream]
	n := 0
	if len(p.Codes) == len(st.Channels) {
		n = len(p.Codes[0])
	}
	for _, codes := range p.Codes {
		if len(codes) != n || n == 0 {
			return fmt.Errorf("recording: a piece needs samples of %d channels, of each as many", len(st.Channels))
		}
	}
	if p.Period < 0 || p.Period == 0 && n > 1 {
		return fmt.Errorf("recording: %d scans need a period above 0", n)
	}
	r := run{p.Tick, p.Period, n}
	seg, err := st.segmentFor(p.Era, r)
	if err != nil {
		return err
	}
	seg.runs = appendRun(seg.runs, r)
	for i, codes := range p.Codes {
		seg.codes[i] = append(seg.codes[i], codes...)
	}
	return nil
}

func (st *stream) segmentFor(era int, r run) (*segment, error) {
	if n := len(st.segments); n > 0 {
		last := &st.segments[n-1]
		switch {
		case era < last.era:
			return nil, fmt.Errorf("recording: era %d comes after era %d", era, last.era)
		case era == last.era:
			if k := len(last.runs); k > 0 && r.tick < last.runs[k-1].until() {
				return nil, fmt.Errorf("recording: %s: time runs backwards: tick %d comes after %d", st.Channels[0].Name, r.tick, last.runs[k-1].until())
			}
			return last, nil
		}
	}
	st.clock(era)
	st.segments = append(st.segments, segment{era: era, codes: make([][]int32, len(st.Channels))})
	return &st.segments[len(st.segments)-1], nil
}

// Arrived ties a device's clock to the host's: what it sampled at tick had come
// in at host, in seconds since the start.
func (w *Writer) Arrived(stream, era int, tick int64, host float64) {
	st := w.streams[stream]
	st.clock(era).arrive(float64(tick)/st.TickHz, host)
}

func (st *stream) clock(era int) *tying {
	if st.clocks[era] == nil {
		st.clocks[era] = &tying{}
	}
	return st.clocks[era]
}

// Mark adds a marker, in memory.
func (w *Writer) Mark(m recording.Marker) { w.markers = append(w.markers, m) }

// Pending is how many samples are not on disk yet.
func (w *Writer) Pending() (n int) {
	for _, st := range w.streams {
		for _, seg := range st.segments {
			n += len(seg.codes[0]) * len(seg.codes)
		}
		n -= st.kept * len(st.Channels)
	}
	return n
}

// Commit puts all that was appended on disk. When it fails nothing is changed: it
// may be tried again.
func (w *Writer) Commit(ctx context.Context) error { return w.commit(ctx, nil) }

// An ending is when and why a recording ended.
type ending struct {
	at  time.Time
	why string
}

// Close commits, folds the tails into chunks, says why the recording ended, and
// seals it. When it fails, what was committed before is there all the same.
func (w *Writer) Close(ctx context.Context, why string) error {
	if w.ended {
		return nil
	}
	if err := w.commit(ctx, &ending{time.Now(), why}); err != nil {
		return err
	}
	w.ended = true
	w.hold.release()
	if err := w.store.seal(ctx, w.id); err != nil {
		return fmt.Errorf("recording %d: all is kept, but it could not be sealed: %w", w.id, err)
	}
	return nil
}

// Abandon gives the recording up as it is on disk: who opens the logbook next ends
// it.
func (w *Writer) Abandon() { w.hold.release() }

// commit puts all on disk; with an end, it is the last.
func (w *Writer) commit(ctx context.Context, end *ending) error {
	tx, err := w.store.db.BeginTx(ctx, nil)
	if err != nil {
		return w.wrap(err)
	}
	defer func() { _ = tx.Rollback() }() // does nothing after the commit
	t := &transaction{ctx, tx, w, nil}
	for _, st := range w.streams {
		if err := t.stream(st, end != nil); err != nil {
			return w.wrap(err)
		}
	}
	for i, m := range w.markers {
		if err := t.marker(w.marked+i, m); err != nil {
			return w.wrap(err)
		}
	}
	if end != nil {
		if err := t.exec("UPDATE recordings SET ended = ?, why = ? WHERE id = ?", end.at.UTC().Format(time.RFC3339Nano), end.why, w.id); err != nil {
			return w.wrap(err)
		}
	}
	if err := tx.Commit(); err != nil {
		return w.wrap(err)
	}
	for _, done := range t.done {
		done()
	}
	w.marked += len(w.markers)
	w.markers = w.markers[:0]
	return nil
}

func (w *Writer) wrap(err error) error {
	return fmt.Errorf("recording %d: %w", w.id, w.store.book.Explain(err))
}

// A transaction is one commit: what it changes in the Writer is done afterwards.
type transaction struct {
	ctx  context.Context
	tx   *sql.Tx
	w    *Writer
	done []func()
}

func (t *transaction) exec(query string, args ...any) error {
	_, err := t.tx.ExecContext(t.ctx, query, args...)
	return err
}

func (t *transaction) marker(seq int, m recording.Marker) error {
	body, err := json.Marshal(m)
	if err != nil {
		return err
	}
	return t.exec("INSERT INTO recording_markers (recording, seq, body) VALUES (?, ?, ?)", t.w.id, seq, string(body))
}

// stream makes chunks of what is long enough, or of all at the last, and puts
// what is left and new in the tail.
func (t *transaction) stream(st *stream, last bool) error {
	if err := t.clocks(st); err != nil {
		return err
	}
	chunked := 0 // scans of the segment that are left at the end
	pyramids, era, sealed := clones(st.pyramids), st.era, false
	for k, seg := range st.segments {
		open := k == len(st.segments)-1 && !last
		n := len(seg.codes[0])
		chunked = 0
		for chunked < n && (!open || n-chunked >= chunkScans) {
			if pyramids == nil || era != seg.era {
				pyramids, era = fresh(len(st.Channels)), seg.era
			}
			take := min(chunkScans, n-chunked)
			if err := t.chunk(st, seg, chunked, take, pyramids); err != nil {
				return err
			}
			chunked += take
			sealed = true
		}
	}
	parts, from := st.parts, st.kept
	if sealed {
		if err := t.exec("DELETE FROM recording_tails WHERE recording = ? AND stream = ?", t.w.id, st.number(t.w)); err != nil {
			return err
		}
		parts, from = 0, chunked
	}
	grown, err := t.tail(st, from, parts)
	if err != nil {
		return err
	}
	t.done = append(t.done, func() {
		st.pyramids, st.era, st.parts = pyramids, era, parts+grown
		if sealed {
			st.drop(chunked)
		}
		st.kept = 0
		if n := len(st.segments); n > 0 {
			st.kept = len(st.segments[n-1].codes[0])
		}
	})
	return nil
}

func clones(p []*pyramid) []*pyramid {
	var out []*pyramid
	for _, x := range p {
		out = append(out, x.clone())
	}
	return out
}

func fresh(n int) []*pyramid {
	out := make([]*pyramid, n)
	for i := range out {
		out[i] = &pyramid{}
	}
	return out
}

func (st *stream) number(w *Writer) int { return slices.Index(w.streams, st) }

func (t *transaction) chunk(st *stream, seg segment, from, n int, pyramids []*pyramid) error {
	runs := cut(seg.runs, from, n)
	for i := range st.Channels {
		channel, codes := st.first+i, seg.codes[i][from:from+n]
		err := t.exec("INSERT INTO recording_chunks (recording, channel, era, tick, until, count, body) VALUES (?, ?, ?, ?, ?, ?, ?)",
			t.w.id, channel, seg.era, runs[0].tick, runs[len(runs)-1].until(), n, packChunk(t.w.coder, runs, codes))
		if err != nil {
			return err
		}
		row := func(level int, row []bucket) error { return t.row(channel, level, seg.era, row) }
		if err := pyramids[i].add(runs, codes, row); err != nil {
			return err
		}
		for level, begun := range pyramids[i] {
			if err := row(level+1, begun); err != nil {
				return err
			}
		}
	}
	return nil
}

// row writes a row of the pyramid, over what stood there when it was shorter.
func (t *transaction) row(channel, level, era int, row []bucket) error {
	return t.exec("INSERT OR REPLACE INTO recording_levels (recording, channel, level, era, tick, until, body) VALUES (?, ?, ?, ?, ?, ?, ?)",
		t.w.id, channel, level, era, row[0].tick, row[len(row)-1].until, packRow(t.w.coder, row))
}

// tail writes what is new of the last segment, and says how many rows that took.
func (t *transaction) tail(st *stream, from, part int) (int, error) {
	if len(st.segments) == 0 {
		return 0, nil
	}
	seg := st.segments[len(st.segments)-1]
	n := len(seg.codes[0])
	if from >= n {
		return 0, nil
	}
	codes := make([][]int32, len(seg.codes))
	for i := range codes {
		codes[i] = seg.codes[i][from:]
	}
	body := packTail(cut(seg.runs, from, n-from), codes)
	return 1, t.exec("INSERT INTO recording_tails (recording, stream, part, era, body) VALUES (?, ?, ?, ?, ?)", t.w.id, st.number(t.w), part, seg.era, body)
}

// clocks writes the ties that are new.
func (t *transaction) clocks(st *stream) error {
	for era, c := range st.clocks {
		if saved, ok := st.saved[era]; ok && c.clock == saved {
			continue
		}
		body, err := json.Marshal(c.clock)
		if err != nil {
			return err
		}
		if err := t.exec("INSERT OR REPLACE INTO recording_eras (recording, stream, era, clock) VALUES (?, ?, ?, ?)", t.w.id, st.number(t.w), era, string(body)); err != nil {
			return err
		}
		saved := c.clock
		t.done = append(t.done, func() { st.saved[era] = saved })
	}
	return nil
}

// drop forgets what is in chunks: all segments but the last, and so many scans of
// that.
func (st *stream) drop(n int) {
	k := len(st.segments) - 1
	st.segments[0] = st.segments[k]
	st.segments = st.segments[:1]
	seg := &st.segments[0]
	seg.runs = cut(seg.runs, n, len(seg.codes[0])-n)
	for i, codes := range seg.codes {
		seg.codes[i] = codes[:copy(codes, codes[n:])]
	}
}
