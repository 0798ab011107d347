package schedule

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"

	"loomproof/checks/units"
	"loomproof/dashboard/band"
)

//go:embed schedule.html
var page string

//go:embed schedule.css
var style string

var tmpl = template.Must(template.New("schedule").Funcs(template.FuncMap{
	"metres": func(m units.Metres) string { return fmt.Sprintf("%.2f m", float64(m)) },
	"grams":  func(m units.Kilograms) string { return fmt.Sprintf("%.1f g", float64(m)*1000) },
}).Parse(page))

// HTML writes the schedule, the pin-out sheets and the labels as one page
// without scripts or files of its own; it prints on A4 and Letter.
func (s *Schedule) HTML(w io.Writer) error {
	var b bytes.Buffer // so that a mistake in the template spoils nothing
	err := tmpl.Execute(&b, struct {
		*Schedule
		Style     template.CSS
		Allowance float64
	}{s, template.CSS(band.Palette + style), Allowance * 100}) //nolint:gosec // our own file
	if err != nil {
		return fmt.Errorf("wire schedule: %w", err)
	}
	_, err = b.WriteTo(w)
	return err
}
