package mockup

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"

	"loomproof/checks/airframe"
	"loomproof/checks/procedure"
	"loomproof/checks/verdict"
)

func TestSoundAircraftPasses(t *testing.T) {
	s := perform(t, nil, 1)
	assert.Equal(t, verdict.Pass, s.Verdict, "%s", s.Summary())
	for _, step := range s.Steps {
		if step.Verdict != "pass" && step.Verdict != "not done" {
			t.Errorf("%s %s %v ±%v [%v %v] p=%v", step.ID, step.Verdict, *step.Reading, *step.Uncertainty, deref(step.Low), deref(step.High), *step.Probability)
		}
	}
	t.Log(s.Summary())
}

func deref(p *float64) any {
	if p == nil {
		return "-"
	}
	return *p
}

// Each fault of the catalogue is found at the right circuits and nowhere else.
func TestEachFaultIsFoundWhereItIs(t *testing.T) {
	for _, planted := range Catalogue() {
		t.Run(planted.Name, func(t *testing.T) {
			s := perform(t, []airframe.Fault{planted.Fault}, 1)
			assert.Equal(t, verdict.Fail, s.Verdict)
			failed := map[string]bool{}
			for _, step := range s.Steps {
				if step.Verdict == "fail" {
					failed[step.Circuit] = true
					assert.Contains(t, planted.Shows, step.Circuit, "%s: %v of [%v %v]", step.ID, deref(step.Reading), deref(step.Low), deref(step.High))
				}
			}
			assert.NotEmpty(t, failed)
			for _, circuit := range planted.Shows {
				assert.True(t, failed[circuit], "%s shows it too", circuit)
			}
			assert.NotEmpty(t, s.Findings)
			for _, f := range s.Findings {
				assert.True(t, slices.Contains(planted.Shows, f.Circuit), "%+v", f)
				t.Logf("%s\n    try: %s", f.What, f.Try)
			}
		})
	}
}

// A hundred sound aircraft, each with its own parts and instrument errors: none
// fails. Every step is held to its band by what its uncertainty allows, so the
// number of false alarms to expect is the sum of the probabilities that the
// guard band leaves open.
func TestAHundredSoundAircraft(t *testing.T) {
	steps, expectedFalse, undecided := 0, 0.0, 0
	for seed := range uint64(100) {
		s := perform(t, nil, seed+1)
		for _, step := range s.Steps {
			switch step.Verdict {
			case string(verdict.Fail):
				t.Errorf("seed %d: false alarm: %s reads %v of [%v %v]", seed, step.ID, *step.Reading, deref(step.Low), deref(step.High))
			case string(verdict.Undecided):
				undecided++
				t.Errorf("seed %d: undecided: %s reads %v ±%v of [%v %v]", seed, step.ID, *step.Reading, *step.Uncertainty, deref(step.Low), deref(step.High))
			}
			if step.Uncertainty != nil {
				steps++
				expectedFalse += falseAlarm(step)
			}
		}
	}
	t.Logf("100 sound aircraft, %d verdicts: 0 false alarms, %d undecided; the guard band predicts %.2g false alarms", steps, undecided, expectedFalse)
}

// falseAlarm is the probability that another reading of what this step read
// would be called a fail: that noise carries it beyond a limit by the guard
// band.
func falseAlarm(s procedure.Step) float64 {
	u := *s.Uncertainty / 2
	p := 0.0
	if s.High != nil {
		p += tail((*s.High + verdict.Guard*u - *s.Reading) / u)
	}
	if s.Low != nil {
		p += tail((*s.Reading - *s.Low + verdict.Guard*u) / u)
	}
	return p
}

func tail(z float64) float64 { return 0.5 * math.Erfc(z/math.Sqrt2) }
