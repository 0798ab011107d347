package station

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
)

// The answers where the last worksheet ended with smoke.
const (
	causeFound = "Found, and put right"
	notFound   = "Not yet"
)

// ErrSmoke is returned, wrapped, when a worksheet would be begun, or gone on with,
// while the cause of the smoke that ended the last one is not found.
var ErrSmoke = errors.New("find the cause of the smoke first, and put it right")

// afterSmoke asks whether the cause was found if the last worksheet of the aircraft
// ended with smoke, and gives what a new one keeps of that; "" for no smoke. goesOn is
// the worksheet that is gone on with, nil for a new one: its own smoke is for itself.
func (s *Station) afterSmoke(ctx context.Context, goesOn *logbook.Worksheet) (after string, err error) {
	list, err := s.Book.Worksheets(ctx)
	if err != nil {
		return "", err
	}
	last := slices.IndexFunc(list, func(x logbook.Summary) bool { return x.Aircraft == s.Design.Aircraft.Name })
	if last < 0 || goesOn != nil && list[last].ID == goesOn.ID() {
		return "", nil
	}
	w, err := s.Book.Worksheet(ctx, list[last].ID)
	if err != nil {
		return "", err
	}
	sheet, err := procedure.Fold(w.Records())
	if err != nil {
		return "", nil // it cannot be read any more, and keeps nobody from a new one
	}
	smoke := slices.IndexFunc(sheet.Cuts, func(c procedure.Cut) bool { return c.Smoke })
	if smoke < 0 {
		return "", nil
	}
	ended := fmt.Sprintf("Worksheet %d, %s, ended with smoke on %s.", w.ID(), list[last].Procedure, sheet.Ended.Local().Format("2006-01-02 15:04"))
	next := "A new worksheet begins."
	if goesOn != nil {
		next = fmt.Sprintf("Worksheet %d goes on.", goesOn.ID())
	}
	detail := next + " Look first at what was switched on last, and along its wires."
	if k := s.Design.Circuit(sheet.Cuts[smoke].Circuit); k != nil {
		detail = next + " What was switched on last: " + k.Called() + "."
	}
	a, err := s.Desk.Choose(ctx, procedure.Now{Warn: true, Say: ended + " Was its cause found?", Detail: detail, Answers: []string{causeFound, notFound}})
	switch {
	case err != nil:
		return "", err
	case a.Choice != causeFound:
		return "", fmt.Errorf("%s Its cause is not found: %w", ended, ErrSmoke)
	}
	return fmt.Sprintf("%s %s said that its cause was found and put right.", ended, cmp.Or(a.By, "A person")), nil
}
