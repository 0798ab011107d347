package store

import (
	"database/sql"
	"fmt"
	"math"

	"loomproof/checks/recording"
	"loomproof/checks/recording/codec"
)

// View gives n buckets of [from, to): from single samples where the view is narrow,
// else from the coarsest level of the pyramid with at least two of its buckets to
// each of the view's. Then a sample may be told up to a quarter of a bucket from
// its place; no extreme is lost and none is told twice.
func (r *Recording) View(channel int, from, to float64, n int) ([]recording.Bucket, error) {
	if n <= 0 || !(from < to) || math.IsInf(to-from, 0) {
		return nil, fmt.Errorf("a view from %.6g s to %.6g s in %d buckets: the end must lie after the begin, and there must be a bucket", from, to, n)
	}
	v := newView(r.channels[channel], from, to, n)
	level, err := r.levelFor(channel, (to-from)/float64(n))
	if err != nil {
		return nil, err
	}
	if level == 0 {
		for b, err := range r.Blocks(channel, from, to) {
			if err != nil {
				return nil, err
			}
			v.samples(b)
		}
		return v.finish(), nil
	}
	if err := r.fromPyramid(v, channel, level); err != nil {
		return nil, err
	}
	return v.finish(), nil
}

// levelFor finds the level for buckets of so many seconds.
func (r *Recording) levelFor(channel int, seconds float64) (int, error) {
	rate := r.channels[channel].Rate
	if rate == 0 {
		var count, span sql.NullFloat64
		err := r.store.db.QueryRowContext(r.ctx, "SELECT sum(count), sum(until - tick) FROM recording_chunks WHERE recording = ? AND channel = ?", r.ID, channel).Scan(&count, &span)
		if err != nil {
			return 0, r.wrap(err)
		}
		if span.Float64 > 0 {
			rate = count.Float64 / span.Float64 * r.place[channel].hz
		}
	}
	level := 0
	for level < levels && float64(size(level+1)) <= rate*seconds/2 {
		level++
	}
	return level, nil
}

// fromPyramid reads a level and what the pyramid does not have yet, both of the
// same moment.
func (r *Recording) fromPyramid(v *view, channel, level int) error {
	tx, err := r.store.db.BeginTx(r.ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return r.wrap(err)
	}
	defer func() { _ = tx.Rollback() }()
	parts, _, err := r.tail(tx, channel)
	if err != nil {
		return err
	}
	for _, e := range r.eras[r.place[channel].stream] {
		if err := r.levelRows(tx, v, channel, level, e.number); err != nil {
			return err
		}
	}
	for _, p := range parts {
		runs, codes, err := unpackTail(r.place[channel].at, nil, p.body)
		if err != nil {
			return r.damaged(channel, p.era, 0, err)
		}
		for _, run := range runs {
			v.samples(r.block(channel, p.era, run, codes[:run.n]))
			codes = codes[run.n:]
		}
	}
	return nil
}

func (r *Recording) levelRows(tx querier, v *view, channel, level, era int) error {
	// A bucket may lie across an end of the view: its middle decides.
	rows, err := tx.QueryContext(r.ctx, `SELECT tick, body FROM recording_levels
		WHERE recording = ?1 AND channel = ?2 AND level = ?3 AND era = ?4 AND tick <= ?6 AND tick >= coalesce(
			(SELECT max(tick) FROM recording_levels WHERE recording = ?1 AND channel = ?2 AND level = ?3 AND era = ?4 AND tick <= ?5), ?5)
		ORDER BY tick`, r.ID, channel, level, era, r.tick(channel, era, v.from), r.tick(channel, era, v.to))
	if err != nil {
		return r.wrap(err)
	}
	defer rows.Close()
	coder := codec.New()
	for rows.Next() {
		var tick int64
		var body sql.RawBytes
		if err := rows.Scan(&tick, &body); err != nil {
			return r.wrap(err)
		}
		buckets, err := unpackRow(coder, body)
		if err != nil {
			return r.damaged(channel, era, tick, err)
		}
		for _, b := range buckets {
			v.take((r.time(channel, era, b.tick)+r.time(channel, era, b.until))/2, b)
		}
	}
	return r.wrap(rows.Err())
}

// A view gathers buckets, in codes until it is finished.
type view struct {
	channel  recording.Channel
	from, to float64
	width    float64
	buckets  []bucket
}

func newView(c recording.Channel, from, to float64, n int) *view {
	return &view{c, from, to, (to - from) / float64(n), make([]bucket, n)}
}

func (v *view) take(t float64, b bucket) {
	if t < v.from || t >= v.to {
		return
	}
	k := &v.buckets[min(len(v.buckets)-1, int((t-v.from)/v.width))]
	if k.count == 0 {
		*k = b
		return
	}
	k.take(b)
}

func (v *view) samples(b recording.Block) {
	for i, code := range b.Codes {
		v.take(b.At(i), bucket{count: 1, least: code, most: code, sum: int64(code)})
	}
}

func (v *view) finish() []recording.Bucket {
	out := make([]recording.Bucket, len(v.buckets))
	for i, k := range v.buckets {
		o := &out[i]
		o.From, o.To = v.from+float64(i)*v.width, v.from+float64(i+1)*v.width
		if o.Count = k.count; k.count > 0 {
			o.Min, o.Max = v.channel.Value(k.least), v.channel.Value(k.most)
			o.Mean = v.channel.Offset + v.channel.Scale*float64(k.sum)/float64(k.count)
		}
	}
	return out
}
