package store

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"

	"loomproof/checks/recording/codec"
)

// chunkScans is how many samples a chunk has, but for the last of an era: enough
// for its tables and its row in the store to cost below 2 %.
const chunkScans = 16384

// A run is scans evenly spaced, none missing. Of one scan the period may be 0:
// then nothing is known about its pace.
type run struct {
	tick, period int64
	n            int
}

// until is the tick at which the next scan would stand; of a run without a pace,
// the tick after it.
func (r run) until() int64 {
	if r.period == 0 {
		return r.tick + 1
	}
	return r.tick + int64(r.n)*r.period
}

func scans(runs []run) (n int) {
	for _, r := range runs {
		n += r.n
	}
	return n
}

// cut is n scans of runs from one on.
func cut(runs []run, from, n int) []run {
	var out []run
	for _, r := range runs {
		skip := min(from, r.n)
		from -= skip
		r.tick, r.n = r.tick+int64(skip)*r.period, min(r.n-skip, n)
		if r.n > 0 {
			out = append(out, r)
			n -= r.n
		}
	}
	return out
}

// appendRun adds a run, as part of the last one where it goes on from it.
func appendRun(runs []run, r run) []run {
	if k := len(runs) - 1; k >= 0 && r.period > 0 && runs[k].period == r.period && runs[k].until() == r.tick {
		runs[k].n += r.n
		return runs
	}
	return append(runs, r)
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

func seal(body []byte) []byte {
	return binary.LittleEndian.AppendUint32(body, crc32.Checksum(body, castagnoli))
}

func unseal(body []byte) ([]byte, error) {
	n := len(body) - 4
	if n < 0 || binary.LittleEndian.Uint32(body[n:]) != crc32.Checksum(body[:n], castagnoli) {
		return nil, fmt.Errorf("%w: its checksum is wrong", codec.ErrDamaged)
	}
	return body[:n], nil
}

// appendRuns writes the times of a chunk, or of a part of a tail.
func appendRuns(b []byte, runs []run) []byte {
	b = binary.AppendUvarint(b, uint64(len(runs)))
	last := int64(0)
	for _, r := range runs {
		b = binary.AppendVarint(b, r.tick-last)
		b = binary.AppendUvarint(b, uint64(r.period))
		b = binary.AppendUvarint(b, uint64(r.n))
		last = r.until()
	}
	return b
}

func parseRuns(b []byte) (runs []run, rest []byte, err error) {
	bad := fmt.Errorf("%w: its times cannot be read", codec.ErrDamaged)
	count, got := binary.Uvarint(b)
	if got <= 0 || count > uint64(len(b)) {
		return nil, nil, bad
	}
	b = b[got:]
	last, total := int64(0), uint64(0)
	for range count {
		var u [2]uint64
		d, got := binary.Varint(b)
		if got <= 0 {
			return nil, nil, bad
		}
		b = b[got:]
		for i := range u {
			if u[i], got = binary.Uvarint(b); got <= 0 {
				return nil, nil, bad
			}
			b = b[got:]
		}
		if total += u[1]; u[1] == 0 || u[1] > codec.Most || total > codec.Most || u[0] > 1<<60 {
			return nil, nil, bad
		}
		r := run{last + d, int64(u[0]), int(u[1])}
		runs = append(runs, r)
		last = r.until()
	}
	return runs, b, nil
}

func packChunk(c *codec.Coder, runs []run, codes []int32) []byte {
	return seal(c.Append(appendRuns(nil, runs), codes))
}

func unpackChunk(c *codec.Coder, dst []int32, body []byte) ([]run, []int32, error) {
	body, err := unseal(body)
	if err != nil {
		return nil, nil, err
	}
	runs, body, err := parseRuns(body)
	if err != nil {
		return nil, nil, err
	}
	codes, err := c.Decode(dst, scans(runs), body)
	return runs, codes, err
}

// packTail writes all channels of a stream, each as differences: quick to make
// and short-lived.
func packTail(runs []run, codes [][]int32) []byte {
	b := appendRuns(nil, runs)
	for _, ch := range codes {
		last := int32(0)
		for _, v := range ch {
			b = binary.AppendVarint(b, int64(v)-int64(last))
			last = v
		}
	}
	return seal(b)
}

// unpackTail reads one channel of a part of a tail.
func unpackTail(channel int, dst []int32, body []byte) ([]run, []int32, error) {
	body, err := unseal(body)
	if err != nil {
		return nil, nil, err
	}
	runs, body, err := parseRuns(body)
	if err != nil {
		return nil, nil, err
	}
	n := scans(runs)
	for at := range channel + 1 {
		last := int64(0)
		for range n {
			d, got := binary.Varint(body)
			if got <= 0 {
				return nil, nil, fmt.Errorf("%w: samples are missing", codec.ErrDamaged)
			}
			body = body[got:]
			last += d
			if at == channel {
				dst = append(dst, int32(last))
			}
		}
	}
	return runs, dst, nil
}
