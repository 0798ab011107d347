package faultfind

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/design/generate"
)

// Find on a whole first power-on with one bad joint, and on what is known before
// anybody looks.
func BenchmarkFind(b *testing.B) {
	for _, circuits := range []int{20, 1000} {
		d := generate.Design(circuits, 1)
		fault := airframe.Fault{Kind: airframe.HighResistanceJoint, At: "c7/2", Size: 0.2}
		benchmarkFind(b, fmt.Sprintf("%d-circuits", circuits), d, fault)
	}
	benchmarkFind(b, "marsh-hen", exampleDesign(b, "marsh-hen"), airframe.Fault{Kind: airframe.HighResistanceJoint, At: "transponder/1", Size: 0.06})
}

func benchmarkFind(b *testing.B, name string, d *design.Design, fault airframe.Fault) {
	for what, take := range map[string]func(*world) (*Case, error){"worksheet": (*world).worksheet, "loads": (*world).complaint} {
		w, err := newWorld(d, []airframe.Fault{fault}, 1)
		require.NoError(b, err)
		c, err := take(w)
		require.NoError(b, err)
		b.Run(fmt.Sprintf("%s/%s-%d-readings", name, what, len(c.Readings)), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				a, err := Find(c, Usual())
				if err != nil {
					b.Fatal(err)
				}
				if what == "worksheet" && !explains(a.Likeliest(), fault) {
					b.Fatal(a.Likeliest().Says)
				}
			}
		})
	}
}
