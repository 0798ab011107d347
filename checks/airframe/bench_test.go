package airframe

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"loomproof/checks/design/generate"
)

// Aircraft of any size through the model: made, solved from nothing, solved
// again as it was, and solved again after one breaker has moved.
func BenchmarkSolve(b *testing.B) {
	for _, circuits := range []int{20, 1000, 10000} {
		d := generate.Design(circuits, 1)
		state := AllOn(d, "battery", "alternator")
		name := func(what string) string { return fmt.Sprintf("%s/%d-circuits", what, circuits) }
		b.Run(name("make"), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				New(d)
			}
		})
		m := New(d)
		m.Set(state)
		_, err := m.solve()
		require.NoError(b, err)
		b.Run(name("anew"), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				m.net.Forget()
				m.last = nil
				if _, err := m.solve(); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(name("one-breaker"), func(b *testing.B) {
			b.ReportAllocs()
			closed := true
			for b.Loop() {
				closed = !closed
				m.Close("c0", closed)
				if _, err := m.solve(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
