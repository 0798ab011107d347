package modbus

import (
	"encoding/csv"
	"encoding/hex"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func bytesOf(t testing.TB, text string) []byte {
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	require.NoError(t, err)
	return b
}

// The check value and the residue of the catalogue of parametrised CRC
// algorithms, CRC-16/MODBUS; the example of Modbus over serial line, appendix B
// (02 07 gives 1241h; from memory).
func TestCRC(t *testing.T) {
	assert.Equal(t, uint16(0x4B37), crc([]byte("123456789")))
	assert.Equal(t, uint16(0x1241), crc([]byte{0x02, 0x07}))
	assert.Equal(t, uint16(0xFFFF), crc(nil))
}

// testdata/frames.csv: frames that stand in several public texts on Modbus
// (read_text), and some whose CRC was computed elsewhere (computed). The CRC over a whole
// good frame is zero.
func TestPublishedFrames(t *testing.T) {
	file, err := os.Open("testdata/frames.csv")
	require.NoError(t, err)
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	for _, row := range rows[1:] {
		assert.Zero(t, crc(bytesOf(t, row[2])), row)
	}

	r := request{address: 0x11, function: 3, register: 0x6B, count: 3}
	assert.Equal(t, bytesOf(t, "11 03 00 6B 00 03 76 87"), r.Append(nil))
	a := r.find(bytesOf(t, "11 03 06 AE 41 56 52 43 40 49 AD"))
	assert.Equal(t, answer{outcome: answered, data: bytesOf(t, "AE41 5652 4340")}, a)
	a = r.find(bytesOf(t, "11 03 06 02 2B 00 00 00 64 C8 BA"))
	require.Equal(t, answered, a.outcome)
	for i, want := range []float64{555, 0, 100} { // as the specification's example reads
		assert.Equal(t, want, Uint16.number(ABCD.bits(a.data[2*i:2*i+2])))
	}
	assert.Equal(t, answer{outcome: excepted, code: 2}, r.find(bytesOf(t, "11 83 02 C1 34")))

	r = request{address: 0x11, function: 4, register: 8, count: 1}
	assert.Equal(t, bytesOf(t, "11 04 00 08 00 01 B2 98"), r.Append(nil))
	assert.Equal(t, answer{outcome: answered, data: []byte{0, 10}}, r.find(bytesOf(t, "11 04 02 00 0A F8 F4")))
	assert.Equal(t, answer{outcome: excepted, code: 2}, r.find(bytesOf(t, "11 84 02 C3 04")))
}

func TestFind(t *testing.T) {
	r := request{address: 0x11, function: 3, register: 0x6B, count: 3}
	good := bytesOf(t, "11 03 06 AE 41 56 52 43 40 49 AD")
	echo := r.Append(nil)
	cat := func(pieces ...[]byte) []byte { return slices.Concat(pieces...) }
	other := slices.Clone(good[:9])
	other[0] = 5
	other = append(other, byte(crc(other)), byte(crc(other)>>8))
	short := bytesOf(t, "11 03 02 00 0A")
	short = append(short, byte(crc(short)), byte(crc(short)>>8))
	for what, c := range map[string]struct {
		came []byte
		want outcome
	}{
		"the answer":                 {good, answered},
		"behind the request":         {cat(echo, good), answered},
		"behind noise":               {cat([]byte{0, 0xFF}, good), answered},
		"before more":                {cat(good, good), answered},
		"nothing":                    {nil, nothing},
		"part of the request":        {echo[:5], nothing},
		"the request alone":          {echo, nothing},
		"the request and a bit":      {cat(echo, good[:4]), noise},
		"cut short":                  {good[:10], noise},
		"a byte lost":                {cat(good[:4], good[5:]), noise},
		"a wrong CRC":                {cat(good[:10], []byte{0}), damaged},
		"another's":                  {other, foreign},
		"another's, then the answer": {cat(other, good), answered},
		"another length":             {short, foreign},
		"letters":                    {[]byte("REEDBED,METER"), noise},
	} {
		a := r.find(c.came)
		assert.Equal(t, c.want, a.outcome, what)
		if c.want == answered {
			assert.Equal(t, good[3:9], a.data, what)
		}
	}
	assert.Equal(t, byte(5), r.find(other).from)
}

// Every change of one, two and three bits to the published answer is seen, and
// so is every burst of up to 16; of wholly random CRCs one in 65536 is right.
func TestWhatTheCheckSumSees(t *testing.T) {
	r := request{address: 0x11, function: 3, register: 0x6B, count: 3}
	good := bytesOf(t, "11 03 06 AE 41 56 52 43 40 49 AD")
	bits := 8 * len(good)
	flip := func(p []byte, i int) { p[i/8] ^= 1 << (i % 8) }
	changed := slices.Clone(good)
	for i := range bits {
		flip(changed, i)
		require.Less(t, r.find(changed).outcome, excepted)
		for j := i + 1; j < bits; j++ {
			flip(changed, j)
			require.Less(t, r.find(changed).outcome, excepted)
			for k := j + 1; k < bits; k++ {
				flip(changed, k)
				require.Less(t, r.find(changed).outcome, excepted)
				flip(changed, k)
			}
			flip(changed, j)
		}
		flip(changed, i)
	}
	random := rand.New(rand.NewPCG(16, 3))
	for range 100_000 { // bursts: first and last bit changed, between them anything
		copy(changed, good)
		start, length := random.IntN(bits-16), 2+random.IntN(15)
		flip(changed, start)
		flip(changed, start+length-1)
		for i := start + 1; i < start+length-1; i++ {
			if random.IntN(2) == 1 {
				flip(changed, i)
			}
		}
		require.Less(t, r.find(changed).outcome, excepted)
	}
	passed := 0
	const tries = 1 << 20
	for range tries { // the header right, the rest anything
		for i := 3; i < len(changed); i++ {
			changed[i] = byte(random.IntN(256))
		}
		copy(changed, good[:3])
		if r.find(changed).outcome == answered {
			passed++
		}
	}
	assert.InDelta(t, tries/65536.0, float64(passed), 16, "16 expected, four standard deviations either way")
}

// The orders by the name of each byte.
func TestOrders(t *testing.T) {
	for order, data := range map[Order]string{ABCD: "AABBCCDD", CDAB: "CCDDAABB", BADC: "BBAADDCC", DCBA: "DDCCBBAA"} {
		assert.Equal(t, uint32(0xAABBCCDD), order.bits(bytesOf(t, data)), order)
	}
	for order, data := range map[Order]string{ABCD: "AABB", CDAB: "AABB", BADC: "BBAA", DCBA: "BBAA"} {
		assert.Equal(t, uint32(0xAABB), order.bits(bytesOf(t, data)), order)
	}
}

func TestKinds(t *testing.T) {
	assert.Equal(t, -2.0, Int16.number(0xFFFE))
	assert.Equal(t, 65534.0, Uint16.number(0xFFFE))
	assert.Equal(t, -2.0, Int32.number(0xFFFFFFFE))
	assert.Equal(t, 4294967294.0, Uint32.number(0xFFFFFFFE))
	// IEEE 754: 41480000h is 12.5, C1480000h its negative.
	assert.Equal(t, 12.5, Float32.number(0x41480000))
	assert.Equal(t, -12.5, Float32.number(0xC1480000))
	assert.True(t, math.IsNaN(Float32.number(0x7FC00000)))
}

// What is taken for an answer is one, whatever stands around it: the frame with
// its CRC is among the bytes that came.
func FuzzFind(f *testing.F) {
	f.Add(byte(0x11), byte(3), uint16(0x6B), uint16(3), bytesOf(f, "11 03 06 AE 41 56 52 43 40 49 AD"))
	f.Add(byte(0x11), byte(4), uint16(8), uint16(1), bytesOf(f, "11 04 00 08 00 01 B2 98 11 04 02 00 0A F8 F4"))
	f.Add(byte(0x11), byte(3), uint16(8), uint16(1), bytesOf(f, "00 11 83 02 C1 34"))
	f.Fuzz(func(t *testing.T, address, function byte, register, count uint16, came []byte) {
		r := request{address: address, function: 3 + function&1, register: register, count: 1 + count%125}
		before := slices.Clone(came)
		a := r.find(came)
		require.Equal(t, before, came)
		var frame []byte
		switch a.outcome {
		case answered:
			require.Len(t, a.data, 2*int(r.count))
			frame = append([]byte{r.address, r.function, byte(len(a.data))}, a.data...)
		case excepted:
			frame = []byte{r.address, r.function | 0x80, byte(a.code)}
		default:
			require.Nil(t, a.data)
			return
		}
		frame = append(frame, byte(crc(frame)), byte(crc(frame)>>8))
		require.Contains(t, string(came), string(frame))
	})
}

func TestFindingAllocatesNothing(t *testing.T) {
	r := request{address: 0x11, function: 3, register: 0x6B, count: 3}
	came := bytesOf(t, "11 03 06 AE 41 56 52 43 40 49 AD")
	assert.Zero(t, testing.AllocsPerRun(100, func() { r.find(came) }))
}

// The short answer of one value, and the longest there is.
func BenchmarkFind(b *testing.B) {
	for name, count := range map[string]uint16{"value": 2, "longest": 125} {
		b.Run(name, func(b *testing.B) {
			r := request{address: 0x11, function: 3, register: 0x6B, count: count}
			frame := append([]byte{0x11, 3, byte(2 * count)}, make([]byte, 2*count)...)
			frame = append(frame, byte(crc(frame)), byte(crc(frame)>>8))
			b.ReportAllocs()
			b.SetBytes(int64(len(frame)))
			for b.Loop() {
				a := r.find(frame)
				if a.outcome != answered {
					b.Fatal(a.outcome)
				}
				_ = Float32.number(CDAB.bits(a.data[:4]))
			}
		})
	}
}
