package airframe

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
)

// The slopes are those that small changes of the parts themselves give, in a
// sound aircraft and with each kind of fault.
func TestSlopesAreThoseOfSmallChanges(t *testing.T) {
	d := marshHen(t)
	quantities := []Quantity{
		Between("main", "battery-"), Between("transponder.load+", "transponder.load-"), Between("transponder.breaker", "J2.2"),
		Between("G4", ""), Between("strobe.load-", "battery-"), OutOf("supply"), Into("radio"),
	}
	for _, f := range append([]Fault{{Kind: WrongDraw, At: "strobe", Size: 1.5}}, faults...) {
		m := New(d)
		require.NoError(t, m.Break(f))
		m.Set(AllOn(d, "supply"))
		for _, q := range quantities {
			s, err := m.Sense(q)
			require.NoError(t, err)
			slope := func(what string, at *float64, by, want float64) {
				was := *at
				value := func(v float64) float64 {
					*at = v
					m.put()
					out, err := m.Value(q)
					require.NoError(t, err)
					return out
				}
				got := (value(was+by) - value(was-by)) / (2 * by)
				value(was)
				require.InDelta(t, want, got, 1e-3*math.Max(0.01, math.Abs(want)), "%v, %s, fault %v", q, what, f)
			}
			r := rand.New(rand.NewPCG(1, 2))
			for range 25 {
				i := r.IntN(len(m.parts))
				p := m.parts[i]
				if math.IsInf(m.net.Ohms(p.part), 1) || p.value >= open {
					continue
				}
				slope(string(p.Kind)+" "+p.Name, &p.value, math.Max(p.value*1e-4, 1e-7), s.Parts[i])
			}
			for i, l := range m.loads {
				slope("load "+l.circuit.Name, &l.factor, 1e-4, s.Loads[i])
			}
			for i, x := range m.sources {
				slope("source "+x.source.Name, &x.offset, 1e-3, s.Sources[i])
			}
		}
	}
}

// What a current forced into a terminal does is what a large resistance to the
// airframe takes away.
func TestForcedAndLooking(t *testing.T) {
	d := marshHen(t)
	m := New(d)
	m.Set(AllOn(d, "supply"))
	s, err := m.Sense(Between("strobe.load+", ""))
	require.NoError(t, err)
	looking, err := m.Looking("strobe.load+", "")
	require.NoError(t, err)
	require.InDelta(t, s.Forced("strobe.load+"), looking, 1e-12)

	leaky := New(d)
	require.NoError(t, leaky.Break(Fault{Kind: ShortToAirframe, At: "strobe.load+", Size: 1e4}))
	leaky.Set(AllOn(d, "supply"))
	v, err := leaky.Volts("strobe.load+", "")
	require.NoError(t, err)
	require.InEpsilon(t, -s.Forced("strobe.load+")*v/1e4, v-s.Value, 1e-3)
}

func TestTheFurtherFaults(t *testing.T) {
	d := marshHen(t)
	state := AllOn(d, "supply")
	value := func(q Quantity, faults ...Fault) float64 {
		m := New(d)
		for _, f := range faults {
			require.NoError(t, m.Break(f))
		}
		m.Set(state)
		v, err := m.Value(q)
		require.NoError(t, err)
		return v
	}
	drop := Between("strobe.switch.in", "strobe.switch.out")
	through := value(Into("strobe"))
	require.InEpsilon(t, value(drop)+0.02*through, value(drop, Fault{Kind: WornContacts, At: "strobe", Other: "switch", Size: 0.02}), 0.01)
	run := Between("landing-light.switch.out", "landing-light.load+")
	require.InEpsilon(t, 2*value(run), value(run, Fault{Kind: WrongLength, At: "landing-light/2", Size: 4.2}), 0.06)
	require.InEpsilon(t, 1.5*value(Into("fuel-pump")), value(Into("fuel-pump"), Fault{Kind: WrongDraw, At: "fuel-pump", Size: 1.5}), 0.01)
	require.InDelta(t, value(Between("supply+", "supply-"))-1, value(Between("supply+", "supply-"), Fault{Kind: WrongVoltage, At: "supply", Size: -1}), 0.05)

	// With the wires of two pins swapped, each load hangs on the other's breaker.
	swapped := Fault{Kind: SwappedPins, At: "J2.1", Other: "J2.2"}
	state.Closed["radio"] = false
	require.InDelta(t, 0, value(Between("transponder.load+", "transponder.load-"), swapped), 1e-6)
	require.Greater(t, value(Between("radio.load+", "radio.load-"), swapped), 12.0)

	for _, bad := range []Fault{
		{Kind: WornContacts, At: "radio", Other: "switch"},
		{Kind: WrongLength, At: "J1.1", Size: 1},
		{Kind: WrongDraw, At: "master", Size: 2},
		{Kind: WrongVoltage, At: "sun", Size: 1},
		{Kind: SwappedPins, At: "J2.1", Other: "J9.1"},
	} {
		require.Error(t, New(d).Break(bad), bad)
	}
	require.Equal(t, design.Battery, New(d).Sources()[0].Source.Kind)
}
