package calibrate

import (
	"fmt"
	"io"
	"strings"

	"loomproof/checks/units"
	"loomproof/probe/sources"
)

// Kept is the result as it is kept in a calibration file; date, reference and the
// rest are the caller's.
func (r Result) Kept() sources.Kept {
	c := r.Calibration
	k := sources.Kept{
		Channel: c.Channel, FullScale: c.FullScale, Gain: c.Gain, GainU: c.GainU, Offset: c.Offset, OffsetU: c.OffsetU,
		Correlation: c.Correlation, Residual: c.Residual,
	}
	for _, p := range r.Points {
		k.Points = append(k.Points, p.Point)
	}
	return k
}

// Text writes the result for people.
func (r Result) Text(w io.Writer) error {
	var b strings.Builder
	c, unit := r.Calibration, r.Points[0].Quantity.Unit()
	title := c.Channel
	if c.FullScale > 0 {
		title += ", range to " + units.Format(c.FullScale, unit)
	}
	fmt.Fprintf(&b, "\n%s: from %s to %s\n", title, units.Format(c.Low, unit), units.Format(c.High, unit))
	fmt.Fprintf(&b, "  gain    %.7f  ± %.2g (k = 2)\n", c.Gain, 2*c.GainU)
	fmt.Fprintf(&b, "  offset  %s (k = 2)\n", units.FormatWith(c.Offset, 2*c.OffsetU, unit))
	b.WriteString("  reading          reference        residual         uncertainty, k = 2\n")
	for i, p := range r.Points {
		fmt.Fprintf(&b, "  %-16s %-16s %-16s ± %s\n", units.Format(p.Reading, unit), units.Format(p.Reference, unit),
			units.Format(r.Residuals[i], unit), units.Format(2*c.Uncertainty(p.Reading), unit))
	}
	if len(r.Points) == 2 {
		b.WriteString("  Two points show no curvature; a third between them would.\n")
	}
	for _, note := range r.Notes {
		fmt.Fprintf(&b, "  NOTE: %s\n", note)
	}
	_, err := io.WriteString(w, b.String())
	return err
}
