package groundrun

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/recording/csvlog"
	"loomproof/checks/verdict"
)

// A stretch of a log that somebody's engine monitor wrote, a row a second.
type stretch struct {
	seconds           int
	rpm, volts, amps  float64 // at its begin
	rpm2, volts2, out float64 // and at its end
}

func keep(seconds int, rpm, volts, amps float64) stretch {
	return stretch{seconds, rpm, volts, amps, rpm, volts, amps}
}

// ownersLog writes it with a tenth of a volt, an ampere and a turn a minute.
func ownersLog(columns string, run ...stretch) string {
	r := rand.New(rand.NewPCG(4, 4))
	var b strings.Builder
	b.WriteString(columns + "\n")
	t := 12 * 3600
	for _, s := range run {
		for i := range s.seconds {
			part := float64(i) / float64(max(1, s.seconds-1))
			rpm := s.rpm + (s.rpm2-s.rpm)*part
			if rpm > 0 {
				rpm += 8 * r.NormFloat64()
			}
			fmt.Fprintf(&b, "%02d:%02d:%02d", t/3600, t/60%60, t%60)
			for column := range strings.SplitSeq(columns, ",") {
				switch column {
				case "RPM":
					fmt.Fprintf(&b, ",%.0f", rpm)
				case "Volts":
					fmt.Fprintf(&b, ",%.1f", s.volts+(s.volts2-s.volts)*part+0.02*r.NormFloat64())
				case "Batt Amps":
					fmt.Fprintf(&b, ",%.0f", s.amps+(s.out-s.amps)*part+0.1*r.NormFloat64())
				}
			}
			b.WriteString("\n")
			t++
		}
	}
	return b.String()
}

// A row a second, coarse digits, perhaps no current: the parts are told by what
// there is, and a slow idle that is charged is neither missed nor given to the
// next speed.
func TestAnOwnersLog(t *testing.T) {
	off, crank, out := keep(20, 0, 12.6, -2), keep(2, 250, 10.5, -115), keep(20, 0, 12.8, -2)
	sound := func(idle float64) []stretch {
		return []stretch{
			off, crank,
			keep(60, 1200, idle, 3),
			{6, 1200, idle, 3, 1800, 14.1, 8},
			keep(60, 1800, 14.1, 6),
			{6, 1800, 14.1, 6, 2500, 14.2, 4},
			keep(60, 2500, 14.2, 3), keep(40, 2500, 14.1, 2), keep(40, 2500, 14.2, 2),
			{6, 2500, 14.2, 2, 1200, idle, 1},
			keep(40, 1200, idle, 1),
			out,
		}
	}
	dead := []stretch{off, crank, keep(60, 1200, 12.2, -6), {5, 1200, 12.2, -6, 2500, 12, -6}, keep(60, 2500, 12, -6), out}
	for _, c := range []struct {
		name, columns string
		run           []stretch
		parts         []PartKind // but for the changes between them
		says          verdict.Word
		finds         Fault
	}{
		{"volts and speed", "Time,RPM,Volts", sound(13.4), []PartKind{Off, Cranking, Idle, Steady, Steady, Idle, ShutDown, Off}, verdict.Pass, ""},
		{"and a current", "Time,RPM,Volts,Batt Amps", sound(13.4), []PartKind{Off, Cranking, Idle, Steady, Steady, Idle, ShutDown, Off}, verdict.Pass, ""},
		{"no charge at idle", "Time,RPM,Volts", sound(12.4), []PartKind{Off, Cranking, Running, Steady, Steady, Running, ShutDown, Off}, verdict.Pass, ""},
		{"volts alone", "Time,Volts", sound(13.4), []PartKind{Off, Cranking, Running, Charging, ShutDown, Off}, verdict.Pass, ""},
		{"no charge at all", "Time,RPM,Volts", dead, []PartKind{Off, Cranking, Running, ShutDown, Off}, verdict.Fail, NotCharging},
		{"and a current that says so", "Time,RPM,Volts,Batt Amps", dead, []PartKind{Off, Cranking, Running, ShutDown, Off}, verdict.Fail, NotCharging},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, err := csvlog.Read(strings.NewReader(ownersLog(c.columns, c.run...)), csvlog.Options{Name: "log.csv"})
			require.NoError(t, err)
			rep, err := Analyse(m, Options{})
			require.NoError(t, err)
			for _, p := range rep.Parts {
				for _, f := range p.Figures {
					if f.Channel == "RPM" && p.Kind.steady() {
						assert.Equal(t, "rpm", f.Unit)
						assert.Contains(t, p.Name, fmt.Sprintf("%.0f rpm", f.Mean))
					}
				}
			}
			if k := rep.Regulator(); k != nil {
				assert.True(t, math.IsNaN(k.Slope), "the battery's current is no load of the regulator")
			}
			assert.Equal(t, c.parts, lasting(rep))
			assert.Equal(t, c.says, rep.Verdict)
			if c.finds == "" {
				assert.Empty(t, rep.Findings)
			} else {
				require.Len(t, rep.Findings, 1)
				assert.Equal(t, c.finds, rep.Findings[0].Fault)
			}
		})
	}
}

// Where a log has no rows for long, nobody knows what the engine did: it is no part
// of the run before it.
func TestAHoleInALogIsNoPart(t *testing.T) {
	run := ownersLog("Time,RPM,Volts", keep(20, 0, 12.6, 0), keep(2, 250, 10.5, 0), keep(60, 1200, 13.4, 0), keep(3000, 1200, 13.4, 0), keep(60, 1200, 13.4, 0), keep(20, 0, 12.8, 0))
	lines := strings.SplitAfter(run, "\n")
	m, err := csvlog.Read(strings.NewReader(strings.Join(append(lines[:83:83], lines[3083:]...), "")), csvlog.Options{Name: "log.csv"})
	require.NoError(t, err)
	rep, err := Analyse(m, Options{})
	require.NoError(t, err)
	assert.Equal(t, []PartKind{Off, Cranking, Idle, Missing, Idle, ShutDown, Off}, lasting(rep))
}

// lasting are the parts of a run, but for the changes between them.
func lasting(r *Report) (parts []PartKind) {
	for _, p := range r.Parts {
		if p.Kind != SpeedChange {
			parts = append(parts, p.Kind)
		}
	}
	return parts
}
