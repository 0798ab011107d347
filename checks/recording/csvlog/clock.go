package csvlog

import (
	"fmt"
	"strings"
	"time"
)

// A clock reads the time of a row.
type clock struct {
	columns   int     // how many hold it: 1, or 2 where the date stands apart
	perSecond float64 // turns written times into seconds
	ofDay     bool    // times are of the day, and the day is not known
	days      int     // how often midnight was passed
	last      float64 // the time of day before, in seconds
}

// clockOf finds the columns of time, which come first.
func clockOf(first []string) (clock, error) {
	c := clock{columns: 1, perSecond: 1}
	name, unit := split(strings.TrimPrefix(first[0], "\ufeff"))
	lower := strings.ToLower(name)
	switch {
	case strings.HasPrefix(lower, "t"), strings.Contains(lower, "time"), strings.HasPrefix(lower, "elapsed"), strings.HasPrefix(lower, "utc"), lower == "s", lower == "ms":
	case strings.Contains(lower, "date"):
		if len(first) > 1 {
			if second, _ := split(first[1]); strings.Contains(strings.ToLower(second), "time") || strings.EqualFold(second, "utc") {
				c.columns = 2
			}
		}
		return c, nil
	default:
		return c, fmt.Errorf("column 1, %q: the first line has the headings, and its first column is the time; call it: time (s). Lines above the headings begin with #, or are taken out", name)
	}
	switch strings.ToLower(unit) {
	case "", "s", "sec", "hh:mm:ss", "utc":
	case "ms":
		c.perSecond = 1e-3
	default:
		return c, fmt.Errorf("column 1, %q: the first column is the time, in s or ms", name)
	}
	return c, nil
}

func (c *clock) text(row []string) string {
	return strings.TrimSpace(strings.Join(row[:c.columns], " "))
}

// read reads a row's time, in seconds from anywhere: a number, a time of day, or a
// date and time, which also gives at. Without a zone it is taken as UTC.
func (c *clock) read(row []string, comma rune) (seconds float64, at time.Time, err error) {
	text := c.text(row)
	if v, err := number(text, comma); err == nil && c.columns == 1 {
		return v * c.perSecond, at, nil
	}
	for _, layout := range []string{"15:04:05", "15:04"} { // fractions of a second are read, too
		if of, err := time.Parse(layout, text); err == nil {
			t := float64(of.Hour()*3600+of.Minute()*60+of.Second()) + float64(of.Nanosecond())/1e9
			if c.ofDay && t < c.last-12*3600 {
				c.days++
			}
			c.ofDay, c.last = true, t
			return t + 86400*float64(c.days), at, nil
		}
	}
	for _, layout := range []string{time.RFC3339Nano, "2006-01-02T15:04:05"} {
		if at, err = time.Parse(layout, strings.Replace(text, " ", "T", 1)); err == nil {
			return float64(at.UnixNano()) / 1e9, at, nil
		}
	}
	return 0, at, fmt.Errorf("%q is no time: write seconds, 12:00:00, or 2026-05-02T09:00:00Z", text)
}
