// Package starter writes the design file that a builder begins with: small,
// commented, and complete enough to be solved as it stands.
//
//	text, err := starter.Design("Marsh Hen", 14)
//
// What it writes always parses with design.Parse. The values in it are those of
// no aircraft in particular; a builder changes each.
package starter

import (
	"bytes"
	_ "embed"
	"fmt"
	"strconv"
	"strings"
	"text/template"
	"unicode"

	"loomproof/checks/units"
)

//go:embed starter.yaml
var text string

var tmpl = template.Must(template.New("starter").Funcs(template.FuncMap{"quote": strconv.Quote, "comment": oneLine}).Parse(text))

// levels are the usual voltages of a system by its nominal one: what a charged
// lead-acid battery shows at rest, what a regulator holds, what the bench supply
// is set to. Common practice; no published source.
var levels = map[units.Volts]struct{ BatteryVolts, AlternatorVolts, SupplyVolts units.Volts }{
	14: {12.8, 14.2, 13.8},
	28: {25.6, 28.4, 27.6},
}

// Design is the text of a starter design for an aircraft of this name and
// nominal voltage, 14 V or 28 V.
func Design(name string, nominal units.Volts) ([]byte, error) {
	level, ok := levels[nominal]
	if !ok {
		return nil, fmt.Errorf("nominal %v: the published rules know 14 V and 28 V; write one of them", nominal)
	}
	name = oneLine(name)
	if name == "" {
		return nil, fmt.Errorf("the aircraft needs a name")
	}
	data := struct {
		Name                                                string
		Nominal, BatteryVolts, AlternatorVolts, SupplyVolts units.Volts
	}{name, nominal, level.BatteryVolts, level.AlternatorVolts, level.SupplyVolts}
	var b bytes.Buffer
	if err := tmpl.Execute(&b, data); err != nil {
		return nil, fmt.Errorf("starter design: %w", err)
	}
	return b.Bytes(), nil
}

// oneLine keeps what can stand in a comment.
func oneLine(s string) string {
	return strings.Join(strings.FieldsFunc(s, func(r rune) bool { return unicode.IsSpace(r) || !unicode.IsPrint(r) }), " ")
}
