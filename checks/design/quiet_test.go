package design

import (
	"encoding/csv"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/units"
)

// Between rows 20 °C apart of a published table of a 10 kΩ thermistor (10K3MCD1,
// manual of a temperature probe, page C-1; ../thermistor/testdata/published.csv) the rows in
// between are met within half a percent.
func TestSenderBetweenTheRowsOfAPublishedTable(t *testing.T) {
	f, err := os.Open("../thermistor/testdata/published.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	s := &Sender{}
	published := map[float64]float64{}
	for _, r := range rows[1:] {
		celsius, err := strconv.ParseFloat(r[0], 64)
		require.NoError(t, err)
		ohms, err := strconv.ParseFloat(r[1], 64)
		require.NoError(t, err)
		published[celsius] = ohms
		if celsius == -40 || celsius == -20 || celsius == 0 {
			s.Table = append(s.Table, &SenderPoint{At: units.Celsius(celsius), Resistance: units.Ohms(ohms)})
		}
	}
	require.Len(t, s.Table, 3)
	for celsius, ohms := range published {
		assert.InEpsilon(t, ohms, s.At(celsius), 0.005, "%v °C", celsius)
	}
}

func TestBadSendersAndCoax(t *testing.T) {
	const head = "loomproof: 1\naircraft: {name: X, nominal: 14 V}\nsources: {b: {kind: battery, volts: 12 V, resistance: 10 mΩ}}\n" +
		"buses: {main: }\ngrounds: {G1: }\ncircuits: {a: {bus: main, breaker: {rating: 1 A}, load: {kind: lamp, draw: 1 A}, runs: [{from: breaker, to: load+, gauge: 20 AWG, length: 1 m}, {from: load-, to: G1, gauge: 20 AWG, length: 1 m}]}}\n"
	for text, says := range map[string]string{
		"senders: {s: {ground: G9, table: [{at: 0 °C, resistance: 1 Ω}, {at: 9 °C, resistance: 2 Ω}]}}":                                                      `did you mean "G1"`,
		"senders: {s: {ground: G1, table: [{at: 0 °C, resistance: 1 Ω}]}}":                                                                                   "two rows or more",
		"senders: {s: {ground: G1, table: [{at: 0 °C, resistance: 1 Ω}, {at: 0 °C, resistance: 2 Ω}]}}":                                                      "stands twice",
		"senders: {s: {ground: G1, tolerance: 90 %, table: [{at: 0 °C, resistance: 1 Ω}, {at: 9 °C, resistance: 2 Ω}]}}":                                     "tolerance",
		"senders: {s: {ground: G1, table: [{at: 900 °C, resistance: 1 Ω}, {at: 9 °C, resistance: 2 Ω}]}}":                                                    "outside",
		"senders: {s: {ground: G1, steinhart-hart: {a: 1, b: 2e-4, c: 1e-7}}}":                                                                               "its resistance at 25 °C",
		"senders: {s: {ground: G1, steinhart-hart: {a: 1.13e-3, b: 2.34e-4, c: 8.8e-8}, table: [{at: 0 °C, resistance: 1 Ω}, {at: 9 °C, resistance: 2 Ω}]}}": "keep one",
		"coax: {x: {length: 1 mm}}": "length",
	} {
		_, err := Parse("x.yaml", []byte(head+text))
		assert.ErrorContains(t, err, says, text)
	}
	_, err := Parse("x.yaml", []byte(head))
	require.NoError(t, err)
}
