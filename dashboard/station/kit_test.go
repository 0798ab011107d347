package station

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/procedure"
	"loomproof/checks/rehearsal"
	"loomproof/checks/verdict"
	"loomproof/probe/sources"
	"loomproof/scripts"
)

const kitFile = `loomproof-sources: 1
sources:
  hand: {kind: handheld meter, port: /dev/ttyNOWHERE0, accuracy: {voltage: 0.05 % + 2 digits, resistance: 0.2 % + 2 digits}}
  node:
    kind: node
    port: /dev/ttyNOWHERE1
    channels:
      bus: {scale: 4, accuracy: 0.2 %, clipped-to: main}
      pump: {quantity: current, pin: 1, scale: 200, accuracy: 0.5 %, clipped-to: fuel-pump.shunt.in}
`

// A meter and a node with a shunt in one circuit: that circuit's current is read
// and proven, the others' are told by a drop, and not proven.
func TestAShuntOfTheNodeProvesItsCircuit(t *testing.T) {
	text, _ := scripts.Design("marsh-hen")
	with := strings.Replace(string(text), "      - {from: breaker, to: switch.in, gauge: 18 AWG, length: 0.4 m, bundle: panel}\n      - {from: switch.out, to: J1.3,",
		"      - {from: breaker, to: shunt.in, gauge: 18 AWG, length: 0.2 m, bundle: panel}\n      - {from: shunt.out, to: switch.in, gauge: 18 AWG, length: 0.2 m, bundle: panel}\n      - {from: switch.out, to: J1.3,", 1)
	with = strings.Replace(with, "    breaker: {rating: 7.5 A, label: \"FUEL PUMP\"}\n", "    breaker: {rating: 7.5 A, label: \"FUEL PUMP\"}\n    shunt: {rating: 10 A, drop: 50 mV}\n", 1)
	require.NotEqual(t, string(text), with)
	d, err := design.Parse("marsh-hen.yaml", []byte(with))
	require.NoError(t, err)
	f, err := sources.Parse("bench.yaml", []byte(kitFile))
	require.NoError(t, err)
	kit, err := Instruments{File: f}.Kit(d)
	require.NoError(t, err)
	assert.Equal(t, "main", kit.NodeBus)
	assert.Equal(t, []string{"fuel-pump"}, kit.NodeShunts)
	assert.Nil(t, kit.Supply)
	script, _ := scripts.Procedure("first-power-on")
	r, err := rehearsal.Run(t.Context(), rehearsal.Options{Design: d, Name: "first-power-on", Script: script, Kit: kit})
	require.NoError(t, err)
	current := func(circuit string) procedure.Step {
		i := slices.IndexFunc(r.Events, func(e rehearsal.Event) bool {
			return e.Step != nil && e.Step.Circuit == circuit && e.Step.What == procedure.WhatCurrent
		})
		require.GreaterOrEqual(t, i, 0, circuit)
		return *r.Events[i].Step
	}
	assert.Equal(t, "pass", current("fuel-pump").Verdict)
	assert.False(t, current("fuel-pump").Unproven)
	assert.True(t, current("strobe").Unproven, "%+v", current("strobe"))
}

// A meter that is read and typed, on volts only: that no short was looked for is
// kept, and the worksheet cannot pass.
func TestAMeterWithoutOhmsLooksForNoShort(t *testing.T) {
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	f, err := sources.Parse("bench.yaml", []byte("loomproof-sources: 1\nsources:\n  dial: {kind: keyboard, scales: {voltage: {to: 30, class: 1.5, division: 0.5}}}\n"))
	require.NoError(t, err)
	kit, err := Instruments{File: f}.Kit(d)
	require.NoError(t, err)
	script, _ := scripts.Procedure("first-power-on")
	r, err := rehearsal.Run(t.Context(), rehearsal.Options{Design: d, Name: "first-power-on", Script: script, Kit: kit})
	require.NoError(t, err)
	assert.NotEqual(t, verdict.Pass, r.Verdict())
	assert.Contains(t, strings.Join(r.LeftOut, "\n"), "the meter reads no ohms")
}

// A meter whose channels have other names is refused before anything is asked.
func TestAMeterIsReadByTheNamesOfQuantities(t *testing.T) {
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	f, err := sources.Parse("bench.yaml", []byte("loomproof-sources: 1\nsources:\n  dial: {kind: keyboard, scales: {low: {quantity: voltage, to: 3 V, class: 1.5}}}\n"))
	require.NoError(t, err)
	_, err = Instruments{File: f}.Kit(d)
	assert.EqualError(t, err, `source "dial" is the meter that is moved by hand and has nothing named voltage; a worksheet reads it by the names voltage, resistance and current: name its scales or channels so`)
}
