// Package codec makes runs of integers small without losing any of them: the
// codes of a converter, and the columns of tables about them.
//
//	c := codec.New()
//	packed := c.Append(nil, codes)
//	codes, err := c.Decode(nil, len(codes), packed)
//
// A short linear predictor, chosen for each run, leaves residuals; their upper
// bits are coded by a table of their frequencies (finite state entropy), what
// is below the noise is kept as it is. FORMAT.md of package store has the bytes.
//
// Every slice of int32 comes back as it was, whatever is in it. Damaged bytes give
// an error or other values, never a panic: put a checksum around what is kept.
package codec

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math/bits"

	"github.com/klauspost/compress/fse"
)

// Most is the longest run that Decode gives back.
const Most = 1 << 20

// How a run is packed.
const (
	constant  = 0 // one value, repeated
	predicted = 1
)

// How the symbols of a run are packed.
const (
	stored   = 0 // as they are
	repeated = 1 // one symbol, repeated
	coded    = 2 // by finite state entropy
)

// ErrDamaged is wrapped by every error of Decode.
var ErrDamaged = errors.New("packed samples are damaged")

// A Coder packs and unpacks. It keeps its buffers, so that packing in a loop
// does not allocate; one goroutine uses it at a time.
type Coder struct {
	scratch   fse.Scratch
	unpack    fse.Scratch
	levels    []int32 // what is predicted: codes from their mean, or differences
	residuals []uint32
	symbols   []byte
	bits      bitWriter
}

// New makes a coder.
func New() *Coder { return &Coder{} }

// Append packs values at the end of dst. Their number is not in it.
func (c *Coder) Append(dst []byte, values []int32) []byte {
	if isConstant(values) {
		dst = append(dst, constant)
		if len(values) > 0 {
			dst = binary.AppendVarint(dst, int64(values[0]))
		}
		return dst
	}
	p := c.choose(values)
	c.residuals = p.residuals(c.residuals[:0], c.shape(values, p))
	low := lowBits(c.residuals)
	dst = append(dst, predicted)
	dst = p.append(dst)
	dst = append(dst, byte(low))
	c.split(low)
	dst = c.appendSymbols(dst)
	return append(dst, c.bits.bytes()...)
}

func isConstant(values []int32) bool {
	for _, v := range values {
		if v != values[0] {
			return false
		}
	}
	return true
}

// Residuals are split into a symbol, whose frequencies differ, and low bits,
// which are as good as random. Symbols from firstClass on are of rare large ones:
// the symbol says how many bits more follow.
const firstClass = 220

// lowBits is how many bits of the residuals lie well below their spread: so many
// that the typical one has some 32 symbols left, and what is lost by taking the
// rest as random is below 0.1 %.
func lowBits(residuals []uint32) int {
	length := 0
	for _, z := range residuals {
		length += bits.Len32(z)
	}
	return max(0, length/len(residuals)-5)
}

func (c *Coder) split(low int) {
	c.symbols = c.symbols[:0]
	c.bits.reset()
	mask := uint32(1)<<low - 1
	for _, z := range c.residuals {
		high := z >> low
		if high < firstClass {
			c.symbols = append(c.symbols, byte(high))
		} else {
			over := high - firstClass + 1
			n := bits.Len32(over)
			c.symbols = append(c.symbols, byte(firstClass+n-1))
			c.bits.put(over&^(1<<(n-1)), n-1)
		}
		if low > 0 {
			c.bits.put(z&mask, low)
		}
	}
}

func (c *Coder) appendSymbols(dst []byte) []byte {
	c.scratch.TableLog, c.scratch.MaxSymbolValue = 12, 255
	packed, err := fse.Compress(c.symbols, &c.scratch)
	switch {
	case errors.Is(err, fse.ErrUseRLE):
		return append(dst, repeated, c.symbols[0])
	case err != nil || len(packed) >= len(c.symbols):
		dst = append(dst, stored)
		return append(dst, c.symbols...)
	}
	dst = append(dst, coded)
	dst = binary.AppendUvarint(dst, uint64(len(packed)))
	return append(dst, packed...)
}

// Decode unpacks n values at the end of dst.
func (c *Coder) Decode(dst []int32, n int, packed []byte) ([]int32, error) {
	if n < 0 || n > Most {
		return dst, fmt.Errorf("%w: %d values are more than there can be", ErrDamaged, n)
	}
	if n == 0 {
		return dst, nil
	}
	if len(packed) == 0 {
		return dst, fmt.Errorf("%w: nothing is there", ErrDamaged)
	}
	method, rest := packed[0], packed[1:]
	switch method {
	case constant:
		v, got := binary.Varint(rest)
		if got <= 0 || v != int64(int32(v)) {
			return dst, fmt.Errorf("%w: no value", ErrDamaged)
		}
		for range n {
			dst = append(dst, int32(v))
		}
		return dst, nil
	case predicted:
		return c.decodePredicted(dst, n, rest)
	}
	return dst, fmt.Errorf("%w: method %d is unknown", ErrDamaged, method)
}

func (c *Coder) decodePredicted(dst []int32, n int, packed []byte) ([]int32, error) {
	p, packed, err := parsePredictor(packed)
	if err != nil {
		return dst, err
	}
	if len(packed) < 2 || packed[0] > 31 {
		return dst, fmt.Errorf("%w: no symbols", ErrDamaged)
	}
	low := int(packed[0])
	symbols, packed, err := c.symbolsOf(n, packed[1:])
	if err != nil {
		return dst, err
	}
	c.residuals = c.residuals[:0]
	r := bitReader{from: packed}
	for _, s := range symbols {
		z := uint32(s)
		if s >= firstClass {
			more := int(s) - firstClass
			if more > 31 {
				return dst, fmt.Errorf("%w: symbol %d is unknown", ErrDamaged, s)
			}
			z = r.take(more) | 1<<more
			z += firstClass - 1
		}
		if low > 0 {
			z = z<<low | r.take(low)
		}
		c.residuals = append(c.residuals, z)
	}
	if r.short {
		return dst, fmt.Errorf("%w: bits are missing", ErrDamaged)
	}
	return p.restore(dst, c.residuals), nil
}

// symbolsOf unpacks n symbols and gives what follows them.
func (c *Coder) symbolsOf(n int, packed []byte) (symbols, rest []byte, err error) {
	how, packed := packed[0], packed[1:]
	switch {
	case how == stored && len(packed) >= n:
		return packed[:n], packed[n:], nil
	case how == repeated && len(packed) >= 1:
		c.symbols = c.symbols[:0]
		for range n {
			c.symbols = append(c.symbols, packed[0])
		}
		return c.symbols, packed[1:], nil
	case how == coded:
		size, got := binary.Uvarint(packed)
		if got <= 0 || size > uint64(len(packed)-got) {
			break
		}
		packed = packed[got:]
		c.unpack.DecompressLimit = n
		symbols, err := fse.Decompress(packed[:size], &c.unpack)
		if err != nil || len(symbols) != n {
			return nil, nil, fmt.Errorf("%w: %d symbols instead of %d (%v)", ErrDamaged, len(symbols), n, err)
		}
		return symbols, packed[size:], nil
	}
	return nil, nil, fmt.Errorf("%w: symbols are missing", ErrDamaged)
}

// fold makes small numbers of small ones of either sign: 0, -1, 1, -2, ... are
// 0, 1, 2, 3, ...
func fold(v int32) uint32 { return uint32(v<<1) ^ uint32(v>>31) }

func unfold(z uint32) int32 { return int32(z>>1) ^ -int32(z&1) }

// A bitWriter puts bits together, the lowest first.
type bitWriter struct {
	out  []byte
	held uint64
	n    int
}

func (w *bitWriter) reset() { w.out, w.held, w.n = w.out[:0], 0, 0 }

// put takes n bits, at most 32.
func (w *bitWriter) put(v uint32, n int) {
	w.held |= uint64(v) << w.n
	w.n += n
	if w.n >= 32 {
		w.out = binary.LittleEndian.AppendUint32(w.out, uint32(w.held))
		w.held >>= 32
		w.n -= 32
	}
}

func (w *bitWriter) bytes() []byte {
	for ; w.n > 0; w.n -= 8 {
		w.out = append(w.out, byte(w.held))
		w.held >>= 8
	}
	return w.out
}

// A bitReader takes them apart.
type bitReader struct {
	from  []byte
	held  uint64
	n     int
	short bool // there were too few
}

func (r *bitReader) take(n int) uint32 {
	for r.n < n {
		if len(r.from) == 0 {
			r.short = true
			return 0
		}
		if len(r.from) >= 4 && r.n <= 32 {
			r.held |= uint64(binary.LittleEndian.Uint32(r.from)) << r.n
			r.from, r.n = r.from[4:], r.n+32
			continue
		}
		r.held |= uint64(r.from[0]) << r.n
		r.from, r.n = r.from[1:], r.n+8
	}
	v := uint32(r.held & (1<<n - 1))
	r.held >>= n
	r.n -= n
	return v
}
