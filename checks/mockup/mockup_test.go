package mockup

import (
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
	_ = procedure.WhatBus
}
