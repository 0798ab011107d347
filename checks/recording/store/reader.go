package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math"
	"sort"
	"time"

	"loomproof/checks/recording"
	"loomproof/checks/recording/codec"
)

// A Recording is one that is in the logbook, finished or still going on: what is
// added later is seen by what is asked later. It is a recording.Recording.
type Recording struct {
	Summary
	ctx      context.Context
	store    *Store
	streams  []Stream
	channels []recording.Channel
	place    []place // of each channel
	eras     [][]era // of each stream
	markers  []recording.Marker
}

var _ recording.Recording = (*Recording)(nil)

// A place is where a channel stands.
type place struct {
	stream, at int
	hz         float64
}

type era struct {
	number int
	clock  clock
}

// Recording opens a recording by its number. The context counts for all that is
// asked of it.
func (s *Store) Recording(ctx context.Context, id int64) (*Recording, error) {
	r := &Recording{ctx: ctx, store: s}
	var have int
	var begun, about, ended string
	err := s.db.QueryRowContext(ctx, "SELECT format, begun, about, coalesce(ended, ''), coalesce(why, '') FROM recordings WHERE id = ?", id).
		Scan(&have, &begun, &about, &ended, &r.Why)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil, fmt.Errorf("logbook %s: %w: %d%s", s.book.Path(), ErrNotFound, id, s.numbers(ctx))
	case err != nil:
		return nil, s.book.Explain(err)
	case have != format:
		return nil, fmt.Errorf("recording %d: its format is %d, this program reads %d; use the program that made it, or a newer one", id, have, format)
	}
	var o Opening
	if err := json.Unmarshal([]byte(about), &o); err != nil {
		return nil, fmt.Errorf("recording %d: %w", id, err)
	}
	r.ID, r.Title, r.Aircraft, r.By, r.streams = id, o.Title, o.Aircraft, o.By, o.Streams
	r.Begun, _ = time.Parse(time.RFC3339Nano, begun)
	r.Ended, _ = time.Parse(time.RFC3339Nano, ended)
	for i, st := range o.Streams {
		eras, err := r.readEras(i)
		if err != nil {
			return nil, err
		}
		r.eras = append(r.eras, eras)
		for at, c := range st.Channels {
			c.Clock = longest(eras).told(st.Device)
			r.channels = append(r.channels, c)
			r.Summary.Channels = append(r.Summary.Channels, c.Name)
			r.place = append(r.place, place{i, at, st.TickHz})
		}
	}
	return r, r.readMarkers()
}

// numbers says which recordings there are, for who typed another number.
func (s *Store) numbers(ctx context.Context) string {
	list, err := s.List(ctx)
	switch {
	case err != nil:
		return ""
	case len(list) == 0:
		return "; there is none in it yet"
	}
	return fmt.Sprintf("; they go from %d to %d", list[len(list)-1].ID, list[0].ID)
}

// readEras finds the eras of a stream. One that has no tie has the host's clock.
func (r *Recording) readEras(stream int) ([]era, error) {
	rows, err := r.store.db.QueryContext(r.ctx, "SELECT era, clock FROM recording_eras WHERE recording = ? AND stream = ? ORDER BY era", r.ID, stream)
	if err != nil {
		return nil, r.wrap(err)
	}
	defer rows.Close()
	var eras []era
	for rows.Next() {
		var e era
		var body string
		if err := rows.Scan(&e.number, &body); err != nil {
			return nil, r.wrap(err)
		}
		if err := json.Unmarshal([]byte(body), &e.clock); err != nil {
			return nil, r.wrap(err)
		}
		eras = append(eras, e)
	}
	if len(eras) == 0 {
		eras = []era{{}}
	}
	return eras, r.wrap(rows.Err())
}

func longest(eras []era) clock {
	best := eras[0].clock
	for _, e := range eras {
		if e.clock.TT > best.TT {
			best = e.clock
		}
	}
	return best
}

func (r *Recording) readMarkers() error {
	rows, err := r.store.db.QueryContext(r.ctx, "SELECT body FROM recording_markers WHERE recording = ? ORDER BY seq", r.ID)
	if err != nil {
		return r.wrap(err)
	}
	defer rows.Close()
	for rows.Next() {
		var m recording.Marker
		var body string
		if err := rows.Scan(&body); err != nil {
			return r.wrap(err)
		}
		if err := json.Unmarshal([]byte(body), &m); err != nil {
			return r.wrap(err)
		}
		r.markers = append(r.markers, m)
	}
	sort.SliceStable(r.markers, func(i, j int) bool { return r.markers[i].At < r.markers[j].At })
	return r.wrap(rows.Err())
}

func (r *Recording) wrap(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("recording %d: %w", r.ID, r.store.book.Explain(err))
}

// Start is the moment that times count from.
func (r *Recording) Start() time.Time { return r.Begun }

// Channels are what was recorded.
func (r *Recording) Channels() []recording.Channel { return r.channels }

// Markers are in the order of time.
func (r *Recording) Markers() []recording.Marker { return r.markers }

// clockOf finds the clock of an era.
func (r *Recording) clockOf(channel, number int) clock {
	eras := r.eras[r.place[channel].stream]
	for _, e := range eras {
		if e.number == number {
			return e.clock
		}
	}
	return clock{}
}

// time is the host's time of a tick, in seconds.
func (r *Recording) time(channel, era int, tick int64) float64 {
	return r.clockOf(channel, era).host(float64(tick) / r.place[channel].hz)
}

// tick is the last tick not after a time; those that are far away are as far as
// ticks go.
func (r *Recording) tick(channel, era int, t float64) int64 {
	x := math.Floor(r.clockOf(channel, era).device(t) * r.place[channel].hz)
	return int64(max(-1<<62, min(1<<62, x)))
}

func (r *Recording) block(channel, era int, run run, codes []int32) recording.Block {
	b := recording.Block{Start: r.time(channel, era, run.tick), Codes: codes}
	if run.period > 0 {
		hz := r.place[channel].hz
		b.Step = float64(run.period) / hz * (1 + r.clockOf(channel, era).slope())
	}
	return b
}

// A part is one row of a tail.
type part struct {
	era  int
	body []byte
}

// tail reads what is in no chunk yet, and where it begins.
func (r *Recording) tail(db querier, channel int) (parts []part, begin position, err error) {
	rows, err := db.QueryContext(r.ctx, "SELECT era, body FROM recording_tails WHERE recording = ? AND stream = ? ORDER BY part", r.ID, r.place[channel].stream)
	if err != nil {
		return nil, begin, r.wrap(err)
	}
	defer rows.Close()
	for rows.Next() {
		var p part
		if err := rows.Scan(&p.era, &p.body); err != nil {
			return nil, begin, r.wrap(err)
		}
		parts = append(parts, p)
	}
	if err := rows.Err(); err != nil {
		return nil, begin, r.wrap(err)
	}
	if len(parts) == 0 {
		return nil, position{math.MaxInt, math.MaxInt64}, nil
	}
	runs, _, err := parseRuns(parts[0].body)
	if err != nil || len(runs) == 0 {
		return nil, begin, r.damaged(channel, parts[0].era, 0, err)
	}
	return parts, position{parts[0].era, runs[0].tick}, nil
}

// A querier is the store, or a transaction on it.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// A position is a tick of an era.
type position struct {
	era  int
	tick int64
}

func (p position) before(o position) bool { return p.era < o.era || p.era == o.era && p.tick < o.tick }

func (r *Recording) damaged(channel, era int, tick int64, err error) error {
	return fmt.Errorf("recording %d, channel %s at %.3f s: %w; the rest of it can be read from after that", r.ID, r.channels[channel].Name, r.time(channel, era, tick), err)
}

// Blocks are the blocks of a channel that have samples in [from, to). Several
// sequences may be open at once.
func (r *Recording) Blocks(channel int, from, to float64) iter.Seq2[recording.Block, error] {
	return func(yield func(recording.Block, error) bool) {
		// The tail first: what is folded into a chunk meanwhile is left out there.
		parts, tailAt, err := r.tail(r.store.db, channel)
		if err != nil {
			yield(recording.Block{}, err)
			return
		}
		coder := codec.New()
		var codes []int32
		give := func(era int, runs []run, codes []int32) bool {
			for _, run := range runs {
				b := r.block(channel, era, run, codes[:run.n])
				codes = codes[run.n:]
				if b.At(len(b.Codes)-1) >= from && b.Start < to && !yield(b, nil) {
					return false
				}
			}
			return true
		}
		for _, e := range r.eras[r.place[channel].stream] {
			at := r.firstChunk(channel, e.number, from)
			until := r.tick(channel, e.number, to)
			for {
				c, err := r.nextChunk(channel, e.number, at, until)
				if err == nil && c.count == 0 || !(position{e.number, c.tick}).before(tailAt) {
					break
				}
				var runs []run
				if err == nil {
					if runs, codes, err = unpackChunk(coder, codes[:0], c.body); err != nil {
						err = r.damaged(channel, e.number, c.tick, err)
					}
				}
				if err != nil {
					yield(recording.Block{}, err)
					return
				}
				if !give(e.number, runs, codes) {
					return
				}
				at = c.tick + 1
			}
		}
		for _, p := range parts {
			runs, codes, err := unpackTail(r.place[channel].at, nil, p.body)
			if err != nil {
				yield(recording.Block{}, r.damaged(channel, p.era, tailAt.tick, err))
				return
			}
			if !give(p.era, runs, codes) {
				return
			}
		}
	}
}

type chunk struct {
	tick  int64
	count int
	body  []byte
}

// firstChunk is the tick of the last chunk that begins at or before a time.
func (r *Recording) firstChunk(channel, era int, from float64) int64 {
	var at sql.NullInt64
	// A failure shows at the next question.
	_ = r.store.db.QueryRowContext(r.ctx, "SELECT max(tick) FROM recording_chunks WHERE recording = ? AND channel = ? AND era = ? AND tick <= ?",
		r.ID, channel, era, r.tick(channel, era, from)).Scan(&at)
	if !at.Valid {
		return math.MinInt64
	}
	return at.Int64
}

// nextChunk is the first chunk that begins at or after a tick; its count is 0 if
// there is none up to until.
func (r *Recording) nextChunk(channel, era int, at, until int64) (c chunk, err error) {
	err = r.store.db.QueryRowContext(r.ctx, `SELECT tick, count, body FROM recording_chunks
		WHERE recording = ? AND channel = ? AND era = ? AND tick >= ? AND tick <= ? ORDER BY tick LIMIT 1`, r.ID, channel, era, at, until).
		Scan(&c.tick, &c.count, &c.body)
	if errors.Is(err, sql.ErrNoRows) {
		return chunk{}, nil
	}
	return c, r.wrap(err)
}

// Span is the time of a channel's first sample and the end of its last one.
func (r *Recording) Span(channel int) (from, to float64) {
	found := false
	widen := func(a, b float64) {
		if !found {
			from, to, found = a, b, true
		}
		from, to = min(from, a), max(to, b)
	}
	for _, e := range r.eras[r.place[channel].stream] {
		var tick, until sql.NullInt64
		err := r.store.db.QueryRowContext(r.ctx, "SELECT min(tick), max(until) FROM recording_chunks WHERE recording = ? AND channel = ? AND era = ?", r.ID, channel, e.number).
			Scan(&tick, &until)
		if err == nil && tick.Valid {
			widen(r.time(channel, e.number, tick.Int64), r.time(channel, e.number, until.Int64))
		}
	}
	parts, _, err := r.tail(r.store.db, channel)
	if err != nil {
		return from, to // what reads the samples will tell
	}
	for _, p := range parts {
		if runs, _, err := parseRuns(p.body); err == nil && len(runs) > 0 {
			widen(r.time(channel, p.era, runs[0].tick), r.time(channel, p.era, runs[len(runs)-1].until()))
		}
	}
	return from, to
}
