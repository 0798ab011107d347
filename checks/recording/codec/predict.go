package codec

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
)

// The most coefficients of a predictor. More of them cost more time than they
// save space: on charging-system noise orders 16 and 32 gain below 1 %.
const mostOrder = 8

// A predictor says what is expected of the next value from those before it. It
// works in integers that wrap, so that every machine finds the same.
type predictor struct {
	differences bool  // of neighbours are predicted, else distances from reference
	reference   int32 // the first value, or one near the mean
	shift       uint8 // of the coefficients
	coefficient []int16
}

// shape is what the predictor works on.
func (c *Coder) shape(values []int32, p predictor) []int32 {
	c.levels = c.levels[:0]
	last := p.reference
	for _, v := range values {
		c.levels = append(c.levels, v-last)
		if p.differences {
			last = v
		}
	}
	return c.levels
}

func (p *predictor) expect(before []int32) int32 {
	sum := int64(1) << p.shift >> 1
	for i, c := range p.coefficient {
		sum += int64(c) * int64(before[len(before)-1-i])
	}
	return int32(sum >> p.shift)
}

// residuals are what the predictor leaves of levels, folded. The first ones, with
// too few before them, are left whole.
func (p *predictor) residuals(dst []uint32, levels []int32) []uint32 {
	order := min(len(p.coefficient), len(levels))
	for _, y := range levels[:order] {
		dst = append(dst, fold(y))
	}
	if order == 0 {
		for _, y := range levels {
			dst = append(dst, fold(y))
		}
		return dst
	}
	for i := order; i < len(levels); i++ {
		dst = append(dst, fold(levels[i]-p.expect(levels[i-order:i])))
	}
	return dst
}

// restore is the way back, at the end of dst.
func (p *predictor) restore(dst []int32, residuals []uint32) []int32 {
	order := len(p.coefficient)
	from := len(dst)
	for i, z := range residuals {
		y := unfold(z)
		if order > 0 && i >= order {
			y += p.expect(dst[len(dst)-order:])
		}
		dst = append(dst, y)
	}
	last := p.reference
	for i := from; i < len(dst); i++ {
		dst[i] += last
		if p.differences {
			last = dst[i]
		}
	}
	return dst
}

func (p *predictor) append(dst []byte) []byte {
	kind := byte(len(p.coefficient)) << 1
	if p.differences {
		kind |= 1
	}
	dst = append(dst, kind)
	dst = binary.AppendVarint(dst, int64(p.reference))
	if len(p.coefficient) == 0 {
		return dst
	}
	dst = append(dst, p.shift)
	for _, c := range p.coefficient {
		dst = binary.LittleEndian.AppendUint16(dst, uint16(c))
	}
	return dst
}

func parsePredictor(b []byte) (p predictor, rest []byte, err error) {
	bad := func() (predictor, []byte, error) { return p, nil, fmt.Errorf("%w: no predictor", ErrDamaged) }
	if len(b) == 0 {
		return bad()
	}
	order := int(b[0] >> 1)
	p.differences = b[0]&1 != 0
	reference, got := binary.Varint(b[1:])
	if got <= 0 || reference != int64(int32(reference)) || order > mostOrder {
		return bad()
	}
	p.reference, b = int32(reference), b[1+got:]
	if order == 0 {
		return p, b, nil
	}
	if len(b) < 1+2*order || b[0] > mostShift {
		return bad()
	}
	p.shift, b = b[0], b[1:]
	for i := range order {
		p.coefficient = append(p.coefficient, int16(binary.LittleEndian.Uint16(b[2*i:])))
	}
	return p, b[2*order:], nil
}

// choose tries the mean, the last value, and the best linear predictor on top of
// each, on a part of the values, and takes what leaves least.
func (c *Coder) choose(values []int32) predictor {
	sample := values
	if len(values) > mostTried {
		begin := (len(values) - mostTried) / 2
		sample = values[begin : begin+mostTried]
	}
	best, least := predictor{}, math.Inf(1)
	for _, differences := range []bool{true, false} {
		p := predictor{differences: differences, reference: mean(values)}
		if differences {
			p.reference = values[0]
		}
		fitted := p
		fitted.fit(c.shape(values, p))
		for _, p := range []predictor{p, fitted} {
			tried := p
			if differences {
				tried.reference = sample[0]
			}
			c.residuals = tried.residuals(c.residuals[:0], c.shape(sample, tried))
			bits := entropy(c.residuals)*float64(len(values)) + 16*float64(len(p.coefficient))
			if bits < least {
				best, least = p, bits
			}
		}
	}
	return best
}

// mostTried is how many values the choice looks at.
const mostTried = 4096

func mean(values []int32) int32 {
	sum := int64(0)
	for _, v := range values {
		sum += int64(v)
	}
	return int32(sum / int64(len(values)))
}

// entropy is in bits a residual; large ones are lumped by their size.
func entropy(residuals []uint32) float64 {
	var count [512]int32
	extra := 0
	for _, z := range residuals {
		if z >= 256 {
			more := 0
			for z >= 256 {
				z >>= 1
				more++
			}
			extra += more
			z += 256 * uint32(min(1, more))
		}
		count[z]++
	}
	n := float64(len(residuals))
	bits := float64(extra) / n
	for _, k := range count {
		if k > 0 {
			bits -= float64(k) / n * math.Log2(float64(k)/n)
		}
	}
	return bits
}

const mostShift = 14

// fit finds the coefficients by the autocorrelation method (Levinson and Durbin's
// recursion), and the order that pays.
func (p *predictor) fit(levels []int32) {
	var r [mostOrder + 1]float64
	autocorrelation(&r, levels)
	if r[0] == 0 {
		return
	}
	r[0] *= 1 + 1e-9 // keeps a signal without noise solvable
	var a, best []float64
	left := r[0]
	least := math.Inf(1)
	for order := 1; order <= mostOrder && len(levels) > 4*order; order++ {
		reflection := r[order]
		for i, c := range a {
			reflection -= c * r[order-1-i]
		}
		reflection /= left
		next := make([]float64, order)
		for i, c := range a {
			next[i] = c - reflection*a[len(a)-1-i]
		}
		next[order-1] = reflection
		a = next
		if left *= 1 - reflection*reflection; left <= 0 {
			break
		}
		bits := float64(len(levels))*0.5*math.Log2(left) + 16*float64(order)
		if bits < least {
			best, least = a, bits
		}
	}
	p.quantise(best)
}

func autocorrelation(r *[mostOrder + 1]float64, levels []int32) {
	var last [mostOrder]float64
	for _, y := range levels {
		v := float64(y)
		r[0] += v * v
		for i := range last {
			r[i+1] += v * last[i]
		}
		copy(last[1:], last[:mostOrder-1])
		last[0] = v
	}
}

func (p *predictor) quantise(a []float64) {
	if len(a) == 0 {
		return
	}
	largest := 0.0
	for _, c := range a {
		largest = max(largest, math.Abs(c))
	}
	p.shift = mostShift
	for p.shift > 0 && largest*math.Exp2(float64(p.shift)) > math.MaxInt16 {
		p.shift--
	}
	p.coefficient = slices.Grow(p.coefficient, len(a))
	for _, c := range a {
		p.coefficient = append(p.coefficient, int16(math.Round(c*math.Exp2(float64(p.shift)))))
	}
}
