package calibrate

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"loomproof/checks/units"
	"loomproof/probe"
	"loomproof/probe/node"
	"loomproof/probe/sources"
)

// A Session is one calibration of one channel, with a person at the reference.
type Session struct {
	Source  *sources.Source
	Channel string
	In      io.Reader // the reference's values, a line each; an empty line or the end is the last
	Out     io.Writer // what the person reads

	Reference   string
	Certificate string
	By          string
	Accuracy    probe.Accuracy // of the reference
	Digit       float64        // one step of the reference's last place, for the digits in its accuracy
	Expanded    float64        // its expanded uncertainty (k = 2) at every point, where that is what the certificate states
	Date, Due   sources.Date
}

// Run takes the points, fits, and keeps what came out. It returns the results that
// were kept.
func (s *Session) Run(ctx context.Context) ([]Result, error) {
	if err := s.Source.Open(ctx); err != nil {
		return nil, err
	}
	points, err := s.points(ctx)
	if err != nil {
		return nil, err
	}
	results, err := Fit(s.Channel, points, s.Source.Drift(s.Channel))
	if err != nil {
		return nil, err
	}
	for _, r := range results {
		if err := r.Text(s.Out); err != nil {
			return nil, err
		}
	}
	return results, s.keep(ctx, results)
}

// points asks for the reference's values and reads the source at each.
func (s *Session) points(ctx context.Context) ([]Point, error) {
	channel, err := s.find()
	if err != nil {
		return nil, err
	}
	unit := channel.Quantity.Unit()
	fmt.Fprintf(s.Out, "Connect %s and %s to the same terminals. Two points at least, near both ends of what you measure; three show curvature.\n", s.Source.Name(), s.Reference)
	var points []Point
	for lines := bufio.NewScanner(s.In); ; {
		fmt.Fprintf(s.Out, "What does the reference say, in %s? Enter alone when done: ", unit)
		if !lines.Scan() || strings.TrimSpace(lines.Text()) == "" {
			fmt.Fprintln(s.Out)
			return points, lines.Err()
		}
		value, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(lines.Text()), ",", ".", 1), 64)
		if err != nil || math.IsInf(value, 0) || math.IsNaN(value) {
			fmt.Fprintf(s.Out, "%q is no number; type it in %s, as 12.5\n", lines.Text(), unit)
			continue
		}
		p, err := Measure(ctx, s.Source, s.Channel, s.trouble())
		if err != nil {
			return nil, err
		}
		p.Reference, p.ReferenceU = value, s.referenceU(value)
		fmt.Fprintf(s.Out, "  %s reads %s (%d readings)\n", s.Source.Name(), units.Format(p.Reading, unit), p.Count)
		points = append(points, p)
	}
}

// find is the channel that is calibrated.
func (s *Session) find() (probe.Channel, error) {
	names := []string{}
	for _, c := range s.Source.Channels() {
		if c.Name == s.Channel {
			return c, nil
		}
		names = append(names, c.Name)
	}
	return probe.Channel{}, fmt.Errorf("%s: no channel %q; it has: %s", s.Source.Name(), s.Channel, strings.Join(names, ", "))
}

// referenceU is the reference's standard uncertainty at a value.
func (s *Session) referenceU(value float64) float64 {
	return math.Hypot(s.Accuracy.HalfWidth(value, s.Digit, 0)/math.Sqrt(3), s.Expanded/2)
}

// trouble tells each trouble once.
func (s *Session) trouble() func(error) {
	told := ""
	return func(err error) {
		if err.Error() != told {
			told = err.Error()
			fmt.Fprintf(s.Out, "  ! %s\n", told)
		}
	}
}

// keep writes the results down: on the board for a node, else in the source's
// calibration file.
func (s *Session) keep(ctx context.Context, results []Result) error {
	if board, ok := s.Source.Instrument().(*node.Node); ok {
		return s.store(ctx, board, results)
	}
	path, named := s.Source.CalibrationPath()
	for _, r := range results {
		k := r.Kept()
		k.Date, k.Reference, k.Certificate, k.By = s.Date, s.Reference, s.Certificate, s.By
		if !s.Due.IsZero() {
			k.Due = &s.Due
		}
		if err := sources.Keep(path, s.Source.Identity(), k); err != nil {
			return err
		}
	}
	fmt.Fprintf(s.Out, "\nKept in %s.\n", path)
	if !named {
		fmt.Fprintf(s.Out, "It counts once the source file names it: add the line \"calibration: %s\" to source %q.\n", baseOf(path), s.Source.Name())
	}
	return nil
}

func (s *Session) store(ctx context.Context, board *node.Node, results []Result) error {
	if len(results) != 1 {
		return errors.New("a node has one range; its points must lie on it")
	}
	c := results[0].Calibration
	err := board.StoreCalibration(ctx, s.Channel, node.Calibration{
		Gain: c.Gain, Offset: c.Offset, GainU: c.GainU, OffsetU: math.Hypot(c.OffsetU, c.Residual), Correlation: c.Correlation,
		Date: s.Date.Time, Reference: s.Reference,
	})
	if err != nil {
		return err
	}
	fmt.Fprintf(s.Out, "\nStored on the board; in force from the next time that it is opened.\n")
	return nil
}

func baseOf(path string) string { return path[strings.LastIndexAny(path, `/\`)+1:] }

// Year is when a calibration made today is usually due again (common practice).
func Year(from sources.Date) sources.Date {
	return sources.Date{Time: from.AddDate(1, 0, 0).Truncate(24 * time.Hour)}
}
