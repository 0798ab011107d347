package faultfind

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/mockup"
	"loomproof/checks/wire"
)

func spreadOf(least, usual, most float64) wire.Spread {
	return wire.Spread{Least: least, Usual: usual, Most: most}
}

// Each fault that the demo can plant and that leaves the power on, through what a
// whole first power-on reads: it comes out first.
func TestTheDemosFaultsComeOutFirst(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	for _, p := range mockup.Catalogue() {
		if p.Fault.Kind == airframe.ShortToAirframe {
			continue // cut: see TestACutIsExplainedByAShort
		}
		t.Run(p.Name, func(t *testing.T) {
			w, err := newWorld(d, []airframe.Fault{p.Fault}, 7)
			require.NoError(t, err)
			c, err := w.worksheet()
			require.NoError(t, err)
			if p.Fault.Kind == airframe.ParasiticLoad {
				nothingOn(t, w, c)
			}
			a, err := Find(c, Usual())
			require.NoError(t, err)
			assert.True(t, explains(a.Likeliest(), p.Fault), "%s: %s", p.Fault, a.Likeliest().Says)
			assert.Empty(t, a.Doubt)
		})
	}
}

// Two circuits whose wires are swapped, with everything on: no voltage shows it, only
// what the supply's current falls by as each goes off.
func TestASwapIsToldByWhatTheCurrentFallsBy(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	swap := airframe.Fault{Kind: airframe.SwappedCircuits, At: "gps", Other: "attitude"}
	w, err := newWorld(d, []airframe.Fault{swap}, 7)
	require.NoError(t, err)
	c, err := w.complaint()
	require.NoError(t, err)
	state := w.state.Clone()
	take := func() int {
		r, err := w.read(airframe.OutOf(state.Sources[0]), state.Clone())
		require.NoError(t, err)
		r.ID = fmt.Sprintf("r%d", len(c.Readings))
		c.Readings = append(c.Readings, r)
		return len(c.Readings) - 1
	}
	on := take()
	for _, circuit := range []string{"radio", "gps", "attitude", "encoder"} {
		state.Closed[circuit] = false
		off := take()
		c.Looks = append(c.Looks, Look{circuit, circuit, on, off})
		on = off
	}
	a, err := Find(c, Usual())
	require.NoError(t, err)
	assert.True(t, explains(a.Likeliest(), swap), a.Likeliest().Says)
	assert.Greater(t, a.Likeliest().Probability, 0.9)
}

// nothingOn adds the reading that a first power-on begins with: the current with
// all breakers open.
func nothingOn(t *testing.T, w *world, c *Case) {
	t.Helper()
	s := airframe.State{Sources: w.state.Sources, On: map[string]bool{"master": true}}.Clone()
	r, err := w.read(airframe.OutOf("supply"), s)
	require.NoError(t, err)
	r.ID = "nothing on"
	c.Readings = append(c.Readings, r)
	c.Looks = append(c.Looks, Look{"nothing on", "nothing on", len(c.Readings) - 1, -1})
}

func TestASoundAircraftIsCalledSound(t *testing.T) {
	for _, name := range []string{"marsh-hen", "marsh-hen-28"} {
		d := exampleDesign(t, name)
		for seed := range uint64(2) {
			w, err := newWorld(d, nil, seed)
			require.NoError(t, err)
			c, err := w.worksheet()
			require.NoError(t, err)
			a, err := Find(c, Usual())
			require.NoError(t, err)
			assert.True(t, a.Likeliest().IsSound(), "%s %d: %s", name, seed, a.Likeliest().Says)
			assert.Empty(t, a.Doubt)
		}
	}
}

// Two faults at once, in different circuits: both are named.
func TestTwoFaultsTogether(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	joint := airframe.Fault{Kind: airframe.HighResistanceJoint, At: "transponder/1", Size: 0.08}
	ground := airframe.Fault{Kind: airframe.BadGround, At: "G5", Size: 0.06}
	w, err := newWorld(d, []airframe.Fault{joint, ground}, 3)
	require.NoError(t, err)
	c, err := w.worksheet()
	require.NoError(t, err)
	a, err := Find(c, Usual())
	require.NoError(t, err)
	best := a.Likeliest()
	assert.True(t, explains(best, joint) && explains(best, ground), best.Says)
	assert.Len(t, best.Parts, 2)
	require.NotNil(t, best.Parts[0].Size)
	assert.Empty(t, best.Leaves)
	for _, p := range best.Parts {
		truth := map[string]float64{"joint": 0.08, "ground": 0.06}[p.Kind]
		assert.True(t, *p.Low < truth && truth < *p.High, "%s: %v to %v", p.Kind, *p.Low, *p.High)
	}
}

// A bad ground that carries the avionics gets hot; who shares it is named.
func TestHeatAndSharersOfABadGround(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	w, err := newWorld(d, []airframe.Fault{{Kind: airframe.BadGround, At: "G4", Size: 0.06}}, 1)
	require.NoError(t, err)
	c, err := w.worksheet()
	require.NoError(t, err)
	a, err := Find(c, Usual())
	require.NoError(t, err)
	best := a.Likeliest()
	require.NotNil(t, best.Hot)
	assert.InEpsilon(t, best.Hot.Amperes*best.Hot.Amperes*0.06, best.Hot.Watts, 0.06)
	assert.ElementsMatch(t, []string{"radio", "transponder", "intercom", "gps", "attitude", "encoder", "map-light"}, best.Parts[0].Shared)
	assert.GreaterOrEqual(t, len(best.Explains), 4)
}

// What the meter does wrong is told from what the aircraft does.
func TestWrongMeters(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	for name, c := range map[string]struct {
		twist func(r *Reading)
		kind  string
	}{
		"gain":     {func(r *Reading) { r.Value *= 1.05 }, "gain"},
		"reversed": {func(r *Reading) { r.Value = -r.Value }, "connected"},
	} {
		t.Run(name, func(t *testing.T) {
			w, err := newWorld(d, nil, 5)
			require.NoError(t, err)
			k, err := w.worksheet()
			require.NoError(t, err)
			for i := range k.Readings {
				if k.Readings[i].Instrument == "meter" {
					c.twist(&k.Readings[i])
				}
			}
			a, err := Find(k, Usual())
			require.NoError(t, err)
			best := a.Likeliest()
			require.Len(t, best.Parts, 1, best.Says)
			assert.Equal(t, c.kind, best.Parts[0].Kind, best.Says)
		})
	}
}

// A battery with more resistance inside is told from one that is only low: the
// more is on, the more it gives way.
func TestAWeakBattery(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	fault := airframe.Fault{Kind: airframe.WeakBattery, At: "battery", Size: 0.05}
	w, err := newWorld(d, []airframe.Fault{fault}, 5)
	require.NoError(t, err)
	w.state.Sources = []string{"battery"}
	c, err := w.worksheet()
	require.NoError(t, err)
	a, err := Find(c, Usual())
	require.NoError(t, err)
	told := false
	for _, e := range a.Explanations[:min(3, len(a.Explanations))] {
		told = told || explains(e, fault) && e.Parts[0].Unit == "Ω"
	}
	assert.True(t, told, a.Likeliest().Says)
}

// A node that is wired to the other bus reads that one, each time.
func TestANodeOnTheWrongBus(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	w, err := newWorld(d, nil, 5)
	require.NoError(t, err)
	c, err := w.worksheet()
	require.NoError(t, err)
	off := w.state.Clone()
	off.Closed["avionics-master"] = false // the other bus is dead
	for i, s := range []airframe.State{w.state, off} {
		r, err := w.read(airframe.Between("avionics", "battery-"), s)
		require.NoError(t, err)
		r.ID, r.Instrument, r.Of = []string{"n1", "n2"}[i], "node", airframe.Between("main", "battery-")
		c.Readings = append(c.Readings, r)
	}
	a, err := Find(c, Usual())
	require.NoError(t, err)
	require.Len(t, a.Likeliest().Parts, 1, a.Likeliest().Says)
	assert.Equal(t, "the node is wired to avionics, not where the design has it", a.Likeliest().Says)
}

// A zero that is off moves every voltage alike, and so does a gain, or a supply that
// gives more: the readings hardly tell, so all three are said.
func TestAZeroThatIsOffIsSaidBesideTheSupply(t *testing.T) {
	w, err := newWorld(exampleDesign(t, "marsh-hen"), nil, 5)
	require.NoError(t, err)
	c, err := w.worksheet()
	require.NoError(t, err)
	for i := range c.Readings {
		if c.Readings[i].Instrument == "meter" {
			c.Readings[i].Value += 0.12
		}
	}
	a, err := Find(c, Usual())
	require.NoError(t, err)
	kinds := []string{}
	for _, e := range a.Explanations[:3] {
		kinds = append(kinds, e.Parts[0].Kind)
	}
	assert.ElementsMatch(t, []string{"zero", "gain", "source"}, kinds)
}

// A black probe on a ground point reads what stands between that point and home
// less, each time.
func TestABlackProbeElsewhereReadsTheDifference(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	w, err := newWorld(d, nil, 5)
	require.NoError(t, err)
	c, err := w.complaint()
	require.NoError(t, err)
	p := newProblem(c, Usual())
	l, err := p.predict(nil, nil)
	require.NoError(t, err)
	l.judge()
	at := nowhere
	at.turn = twist{instrument: "meter", black: "G4"}
	m := airframe.New(d)
	m.Set(w.state)
	less, err := m.Value(airframe.Between("G4", "battery-"))
	require.NoError(t, err)
	for i, by := range at.direction(l) {
		if r := c.Readings[i]; r.Of.To == "battery-" {
			assert.InDelta(t, -less, by, 1e-9, r.Of)
		} else {
			assert.Zero(t, by, r.Of)
		}
	}
}

// A cut with one circuit switched on last: something in that circuit.
func TestACutIsExplainedByAShort(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	w, err := newWorld(d, nil, 2)
	require.NoError(t, err)
	c, err := w.worksheet()
	require.NoError(t, err)
	// As if the worksheet had been cut at the strobe.
	state := airframe.AllOn(d, "supply")
	for _, k := range d.Circuits {
		state.Closed[k.Name] = k.Name == "strobe"
	}
	c.Readings, c.Looks = c.Readings[:6], nil
	c.Cuts = []Cut{{ID: "cut", In: state, Source: "supply", Circuit: "strobe", Amperes: 7}}
	a, err := Find(c, Usual())
	require.NoError(t, err)
	best := a.Likeliest()
	require.Len(t, best.Parts, 1)
	assert.Equal(t, "strobe", best.Parts[0].Circuit, best.Says)
	assert.Equal(t, "leak", best.Parts[0].Kind)
	adv, err := a.Next()
	require.NoError(t, err)
	require.NotEmpty(t, adv.Probes)
	assert.Equal(t, testCurrent, adv.Current, "a short is looked for with little current")
}

// A hard short that was cut is followed to its place by what is advised, with the
// supply limited, and the moves are counted.
func TestAShortIsFollowedToItsPlace(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	for _, place := range []string{"strobe.breaker", "strobe.load+", "J3.1"} {
		fault := airframe.Fault{Kind: airframe.ShortToAirframe, At: place, Size: 0.02}
		sound, err := newWorld(d, nil, 2)
		require.NoError(t, err)
		c, err := sound.worksheet()
		require.NoError(t, err)
		state := airframe.AllOn(d, "supply")
		for _, k := range d.Circuits {
			state.Closed[k.Name] = k.Name == "strobe"
		}
		c.Readings, c.Looks = c.Readings[:6], nil
		c.Cuts = []Cut{{ID: "cut", In: state, Source: "supply", Circuit: "strobe", Amperes: 7}}
		w, err := newWorld(d, []airframe.Fault{fault}, 2)
		require.NoError(t, err)
		a, err := Find(c, Usual())
		require.NoError(t, err)
		a = w.follow(t, a)
		assert.True(t, explains(a.Likeliest(), fault), "%s: %s", place, a.Likeliest().Says)
		assert.Positive(t, w.moves)
		assert.Less(t, w.moves, 15)
	}
}

func TestTypedMeasurements(t *testing.T) {
	w, err := newWorld(exampleDesign(t, "marsh-hen"), nil, 1)
	require.NoError(t, err)
	c, err := w.complaint()
	require.NoError(t, err)
	a, err := Find(c, Usual())
	require.NoError(t, err)
	p, err := a.Typed("strobe.load- battery-")
	require.NoError(t, err)
	assert.Equal(t, 1, p.Moves)
	p, err = a.Typed("open strobe")
	require.NoError(t, err)
	assert.False(t, p.In.Closed["strobe"])
	for text, want := range map[string]string{
		"strobe.load-": "is no measurement", "nowhere battery-": `no point "nowhere"`, "open radar": `no circuit "radar"`,
	} {
		_, err := a.Typed(text)
		assert.ErrorContains(t, err, want)
	}
}

// Readings that no fault in the list can make.
func TestNothingHereExplainsIt(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	w, err := newWorld(d, nil, 4)
	require.NoError(t, err)
	c, err := w.worksheet()
	require.NoError(t, err)
	for i, volts := range map[int]float64{20: 0.9, 60: -0.7, 100: 1.3} {
		c.Readings[i].Value += volts
	}
	a, err := Find(c, Usual())
	require.NoError(t, err)
	assert.True(t, a.Likeliest().IsNothing(), a.Likeliest().Says)
	assert.NotEmpty(t, a.Doubt)
}

func TestRates(t *testing.T) {
	write := func(text string) string {
		path := filepath.Join(t.TempDir(), "rates.yaml")
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	r, err := ReadRates(write("joint: 0.05\n"))
	require.NoError(t, err)
	assert.Equal(t, 0.05, r["joint"])
	assert.Equal(t, Usual()["ground"], r["ground"])
	for text, want := range map[string]string{
		"rust: 0.1": `there is no kind "rust"; there are: breaker-contacts`, "joint: 2": "above 0 and at most 0.5", "joint: [": "write lines like",
	} {
		_, err := ReadRates(write(text))
		assert.ErrorContains(t, err, want)
	}
	_, err = ReadRates("nowhere.yaml")
	assert.ErrorContains(t, err, "nowhere.yaml")

	// A reading outweighs a rate, but not any rate: with joints held for
	// impossible, the same drop is a wire.
	d := exampleDesign(t, "marsh-hen")
	w, err := newWorld(d, []airframe.Fault{{Kind: airframe.HighResistanceJoint, At: "transponder/1", Size: 0.02}}, 7)
	require.NoError(t, err)
	c, err := w.worksheet()
	require.NoError(t, err)
	rare := Usual()
	rare["joint"] = 1e-9
	a, err := Find(c, rare)
	require.NoError(t, err)
	assert.NotEqual(t, "joint", a.Likeliest().Parts[0].Kind)
}

func TestNoReadingsNoAnswer(t *testing.T) {
	_, err := Find(&Case{Design: exampleDesign(t, "marsh-hen")}, Usual())
	assert.ErrorIs(t, err, ErrNoReadings)
	_, err = Find(&Case{Design: exampleDesign(t, "marsh-hen"), Readings: []Reading{{ID: "r1", Of: airframe.Between("main", "battery-")}}}, Usual())
	assert.ErrorContains(t, err, "r1")
}
