package generate_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"loomproof/checks/design/generate"
)

func TestDesignsOfAnySize(t *testing.T) {
	for _, n := range []int{1, 2, 11, 12, 13, 145, 2000} {
		d := generate.Design(n, 7)
		assert.Len(t, d.Circuits, n)
		for _, k := range d.Circuits {
			assert.NotNil(t, d.Feed(k), "%s of %d", k.Name, n)
			assert.NotNil(t, d.Return(k), "%s of %d", k.Name, n)
		}
	}
}

func TestSameSeedSameText(t *testing.T) {
	assert.Equal(t, generate.Text(50, 3), generate.Text(50, 3))
	assert.NotEqual(t, generate.Text(50, 3), generate.Text(50, 4))
}

func BenchmarkDesign(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		generate.Design(1000, 1)
	}
}
