package store

import (
	"fmt"
	"slices"

	"loomproof/checks/recording/codec"
)

// The levels of the pyramid. A bucket of level 1 holds 128 samples, and each
// level has buckets of 16 of the level below. Less would cost space, more would cost
// time in views that are just too wide for single samples.
const (
	finestBucket = 128
	levelFactor  = 16
	levels       = 5
	rowBuckets   = 256 // in a row of the store
)

// size is how many samples a full bucket of a level has; of level 0 it is 1.
func size(level int) int64 {
	n := int64(1)
	if level > 0 {
		n = finestBucket
	}
	for range level - 1 {
		n *= levelFactor
	}
	return n
}

// A bucket is what a stretch of a channel holds, in codes.
type bucket struct {
	tick, until int64
	count       int64
	least, most int32
	sum         int64
	period      int64 // of its last samples; not kept
}

func (b *bucket) take(o bucket) {
	b.until, b.count, b.sum, b.period = o.until, b.count+o.count, b.sum+o.sum, o.period
	b.least, b.most = min(b.least, o.least), max(b.most, o.most)
}

// A pyramid is the newest row of each level of one channel in one era.
type pyramid [levels][]bucket

func (p *pyramid) clone() *pyramid {
	var out pyramid
	for i := range p {
		out[i] = append(make([]bucket, 0, rowBuckets), p[i]...)
	}
	return &out
}

// add takes the samples of a chunk. Rows that are full are handed to write; those
// begun stay and are to be written, too.
func (p *pyramid) add(runs []run, codes []int32, write func(level int, row []bucket) error) error {
	for _, r := range runs {
		for r.n > 0 {
			n := min(r.n, finestBucket)
			b := fill(run{r.tick, r.period, n}, codes[:n])
			for level := range p {
				if err := p.put(level, b, write); err != nil {
					return err
				}
			}
			codes = codes[n:]
			r.tick, r.n = r.tick+int64(n)*r.period, r.n-n
		}
	}
	return nil
}

func fill(r run, codes []int32) bucket {
	b := bucket{tick: r.tick, until: r.until(), count: int64(r.n), least: codes[0], most: codes[0], period: r.period}
	for _, v := range codes {
		b.least, b.most = min(b.least, v), max(b.most, v)
		b.sum += int64(v)
	}
	return b
}

// put adds to the last bucket of a level while there is room. A gap that is wider
// than a bucket ends it, so that no bucket lies in the gap.
func (p *pyramid) put(level int, b bucket, write func(int, []bucket) error) error {
	row := p[level]
	full := size(level + 1)
	if n := len(row); n > 0 {
		last := &row[n-1]
		apart := last.period > 0 && b.tick-last.until > full*last.period
		if last.count+b.count <= full && !apart {
			last.take(b)
			return nil
		}
	}
	if len(row) == rowBuckets {
		if err := write(level+1, row); err != nil {
			return err
		}
		row = row[:0]
	}
	p[level] = append(row, b)
	return nil
}

// A row is kept in columns; 64 bits are two columns.
const columns = 9

func packRow(c *codec.Coder, row []bucket) []byte {
	var col [columns][]int32
	put := func(i int, v int64) {
		col[i] = append(col[i], int32(v))
		col[i+1] = append(col[i+1], int32(v>>32))
	}
	until := row[0].tick
	for _, b := range row {
		put(0, b.tick-until)
		put(2, b.until-b.tick)
		col[4] = append(col[4], int32(b.count))
		col[5] = append(col[5], b.least)
		col[6] = append(col[6], b.most-b.least)
		put(7, b.sum-b.count*int64(b.least))
		until = b.until
	}
	body := appendRuns(nil, []run{{row[0].tick, 0, len(row)}})
	for _, v := range col {
		packed := c.Append(nil, v)
		body = append(body, byte(len(packed)), byte(len(packed)>>8))
		body = append(body, packed...)
	}
	return seal(body)
}

func unpackRow(c *codec.Coder, body []byte) ([]bucket, error) {
	bad := fmt.Errorf("%w: a row of its pyramid cannot be read", codec.ErrDamaged)
	body, err := unseal(body)
	if err != nil {
		return nil, err
	}
	head, body, err := parseRuns(body)
	if err != nil || len(head) != 1 {
		return nil, bad
	}
	n := head[0].n
	var col [columns][]int32
	for i := range col {
		if len(body) < 2 {
			return nil, bad
		}
		size := int(body[0]) | int(body[1])<<8
		if len(body) < 2+size {
			return nil, bad
		}
		if col[i], err = c.Decode(slices.Grow(col[i], n), n, body[2:2+size]); err != nil {
			return nil, err
		}
		body = body[2+size:]
	}
	wide := func(i, at int) int64 { return int64(uint32(col[i][at])) | int64(col[i+1][at])<<32 }
	row := make([]bucket, n)
	until := head[0].tick
	for i := range row {
		b := &row[i]
		b.tick = until + wide(0, i)
		b.until = b.tick + wide(2, i)
		b.count, b.least = int64(col[4][i]), col[5][i]
		b.most = b.least + col[6][i]
		b.sum = wide(7, i) + b.count*int64(b.least)
		until = b.until
	}
	return row, nil
}
