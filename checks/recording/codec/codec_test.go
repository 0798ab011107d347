package codec

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// signals are runs as they come, and as they never should.
func signals() map[string][]int32 {
	r := rand.New(rand.NewPCG(1, 2))
	make32 := func(n int, f func(i int) float64) []int32 {
		out := make([]int32, n)
		for i := range out {
			out[i] = int32(f(i))
		}
		return out
	}
	return map[string][]int32{
		"none":     {},
		"one":      {-7},
		"same":     make32(1000, func(int) float64 { return 812 }),
		"two":      {math.MinInt32, math.MaxInt32},
		"ramp":     make32(5000, func(i int) float64 { return float64(3 * i) }),
		"noise":    make32(16384, func(int) float64 { return 700 + r.NormFloat64()*3 }),
		"loud":     make32(16384, func(int) float64 { return 7e6 + r.NormFloat64()*2e5 }),
		"ripple":   make32(16384, func(i int) float64 { return 11500 + 300*math.Sin(float64(i)*1.7) + r.NormFloat64()*8 }),
		"steps":    make32(16384, func(i int) float64 { return float64(1000*(i/4000)) + math.Round(r.NormFloat64()*0.3) }),
		"spikes":   make32(16384, func(i int) float64 { return float64(i%997/996) * 1e9 }),
		"any":      make32(3000, func(int) float64 { return r.Float64()*math.MaxUint32 + math.MinInt32 }),
		"extremes": make32(999, func(i int) float64 { return []float64{math.MinInt32, 0, math.MaxInt32}[i%3] }),
	}
}

func TestEverythingComesBack(t *testing.T) {
	c := New() // the same for all, so that what is left over shows
	for round := range 2 {
		for name, values := range signals() {
			packed := c.Append([]byte("before"), values)
			got, err := c.Decode([]int32{42}, len(values), packed[6:])
			require.NoError(t, err, name)
			assert.Equal(t, append([]int32{42}, values...), got, "%s, round %d", name, round)
		}
	}
}

// The claim of the package comment in figures: close to what the noise itself
// carries. The entropy of normal noise of σ steps, rounded, is log2(σ·√(2πe))
// bits (Cover and Thomas, Elements of Information Theory, theorem 8.3.1; from
// memory); the table and the predictor come on top.
func TestNoiseCostsWhatItCarries(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, sigma := range []float64{1, 3, 10, 100, 1e4, 1e6} {
		values := make([]int32, 16384)
		for i := range values {
			values[i] = int32(math.Round(r.NormFloat64() * sigma))
		}
		bits := 8 * float64(len(New().Append(nil, values))) / float64(len(values))
		carries := math.Log2(sigma * math.Sqrt(2*math.Pi*math.E))
		assert.Less(t, bits, carries*1.04, "σ = %g: %.3f bits a sample, %.3f carried", sigma, bits, carries)
		assert.Greater(t, bits, carries*0.98, "less than there is cannot be: the test is wrong")
	}
}

// Bytes that are not what was packed give an error or other values.
func TestDamageIsNoPanic(t *testing.T) {
	c, r := New(), rand.New(rand.NewPCG(5, 6))
	for name, values := range signals() {
		packed := c.Append(nil, values)
		for range 300 {
			bad := append([]byte(nil), packed...)
			bad[r.IntN(len(bad))] ^= byte(1 + r.IntN(255))
			bad = bad[:1+r.IntN(len(bad))]
			got, err := c.Decode(nil, len(values), bad)
			if err == nil {
				assert.Len(t, got, len(values), name)
			} else {
				assert.ErrorIs(t, err, ErrDamaged)
			}
		}
	}
	_, err := c.Decode(nil, Most+1, []byte{constant, 0})
	assert.ErrorIs(t, err, ErrDamaged)
}

func FuzzRoundTrip(f *testing.F) {
	for _, values := range signals() {
		var b []byte
		for _, v := range values[:min(len(values), 64)] {
			b = binary.LittleEndian.AppendUint32(b, uint32(v))
		}
		f.Add(b)
	}
	c := New()
	f.Fuzz(func(t *testing.T, b []byte) {
		var values []int32
		for ; len(b) >= 4; b = b[4:] {
			values = append(values, int32(binary.LittleEndian.Uint32(b)))
		}
		got, err := c.Decode(nil, len(values), c.Append(nil, values))
		if err != nil {
			t.Fatal(err)
		}
		assert.Equal(t, values, got)
	})
}

func FuzzDecode(f *testing.F) {
	for _, values := range signals() {
		values = values[:min(len(values), 200)]
		f.Add(len(values), New().Append(nil, values))
	}
	c := New()
	f.Fuzz(func(t *testing.T, n int, b []byte) {
		got, err := c.Decode(nil, n, b)
		if err == nil && len(got) != n {
			t.Fatalf("%d values instead of %d", len(got), n)
		}
	})
}

func BenchmarkAppend(b *testing.B) {
	values := signals()["ripple"]
	c := New()
	var packed []byte
	b.ReportAllocs()
	for b.Loop() {
		packed = c.Append(packed[:0], values)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(values)), "ns/sample")
	b.ReportMetric(float64(len(packed))/float64(len(values)), "B/sample")
}

func BenchmarkDecode(b *testing.B) {
	values := signals()["ripple"]
	c := New()
	packed := c.Append(nil, values)
	var got []int32
	b.ReportAllocs()
	for b.Loop() {
		got, _ = c.Decode(got[:0], len(values), packed)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(values)), "ns/sample")
}
