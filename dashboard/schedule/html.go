package schedule

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
)

//go:embed schedule.html
var page string

//go:embed schedule.css
var style string

var tmpl = template.Must(template.New("schedule").Funcs(template.FuncMap{
	"metres": func(m any) string { return fmt.Sprintf("%.2f m", m) },
}).Parse(page))

// HTML writes the schedule, the pin-out sheets and the labels as one page
// without scripts or files of its own; it prints on A4 and Letter.
func (s *Schedule) HTML(w io.Writer) error {
	var b bytes.Buffer // so that a mistake in the template spoils nothing
	err := tmpl.Execute(&b, struct {
		*Schedule
		Style     template.CSS
		Allowance float64
	}{s, template.CSS(style), Allowance * 100}) //nolint:gosec // our own file
	if err != nil {
		return fmt.Errorf("wire schedule: %w", err)
	}
	_, err = b.WriteTo(w)
	return err
}
