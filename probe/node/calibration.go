package node

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"loomproof/probe"
)

// A Calibration says what a channel's readings are worth against a better
// instrument: true value = Gain × reading + Offset, for readings as the open
// node gives them now.
type Calibration struct {
	Gain, Offset   float64   // no unit, 0.9 to 1.1; in the channel's unit
	GainU, OffsetU float64   // standard uncertainties (k = 1) of the two
	Correlation    float64   // of the two, -1 to 1; near -1 for points far from zero
	Date           time.Time // the day counts
	Reference      string    // identity of the better instrument, 1 to [MaxReference] bytes
}

// A CalibrationStatus says what a board holds for a channel.
type CalibrationStatus string

// The statuses.
const (
	CalibrationNone        CalibrationStatus = "none"
	CalibrationUsed        CalibrationStatus = "used"
	CalibrationDamaged     CalibrationStatus = "damaged"     // not what was written
	CalibrationForeign     CalibrationStatus = "foreign"     // of another quantity or scale than the config's
	CalibrationUnsupported CalibrationStatus = "unsupported" // the firmware keeps none
)

// Stored is the calibration of a channel on the board, as Open found it.
type Stored struct {
	Channel string
	Status  CalibrationStatus
	Detail  string // what is wrong, for people; "" when nothing is
	Record  Record // when used

	// What readings are made with: Scale × volts at the pin + Offset.
	Scale, Offset float64
}

const (
	// furthest is how far a calibrated scale may be from the config's: what is
	// further off is another input, or a wrong divider. 5 % of an unregulated
	// 5 V supply, 2 × 1 % of a divider, rounded up; no published source.
	furthest = 0.10
	// writeWithin: 56 bytes of 3.4 ms.
	writeWithin = 500 * time.Millisecond
)

var (
	// driftSince is what may have moved since a calibration where the config
	// says nothing: supply as reference, resistors, temperature, and the
	// converter's bends. Common practice; no published source.
	driftSince = probe.Accuracy{OfReading: 0.002, Digits: 1}
	// unknownScale is the least that is allowed for an input whose calibration
	// is lost: the 5 V supply is the reference (±5 %), a divider of 1 % parts.
	// Common practice; no published source.
	unknownScale = probe.Accuracy{OfReading: 0.07, Digits: 2}
)

// Calibrations are what the board held when it was opened, for each channel.
func (n *Node) Calibrations() []Stored {
	var all []Stored
	for _, ch := range n.config.Channels {
		s := ch.stored
		s.Channel, s.Scale, s.Offset = ch.Name, ch.Scale, ch.Offset
		all = append(all, s)
	}
	return all
}

// Warnings are what a person should know when the node is opened: calibrations
// that cannot be used.
func (n *Node) Warnings() []string {
	var all []string
	for _, s := range n.Calibrations() {
		if s.Detail != "" {
			all = append(all, fmt.Sprintf("node %s: %s", n.config.Name, s.Detail))
		}
	}
	return all
}

// StoreCalibration writes a channel's calibration into the board and reads it
// back. It is in force from the next Open on: what is running keeps its scale.
func (n *Node) StoreCalibration(ctx context.Context, channel string, c Calibration) error {
	ch, err := n.calibrated(channel)
	if err != nil {
		return err
	}
	switch {
	case !(c.Gain >= 1-furthest && c.Gain <= 1+furthest):
		return n.config.mistake("calibration of %q: gain %v is outside %v to %v; check the wiring, the divider and the scale first", channel, c.Gain, 1-furthest, 1+furthest)
	case !isFinite(c.Offset) || !(c.GainU >= 0) || !(c.OffsetU >= 0):
		return n.config.mistake("calibration of %q: offset %v and uncertainties %v and %v must be numbers, the uncertainties at least 0", channel, c.Offset, c.GainU, c.OffsetU)
	}
	r := c.record(ch)
	if err := r.check(); err != nil {
		return n.config.mistake("calibration of %q: %w", channel, err)
	}
	if why := ch.foreign(r); why != "" {
		return n.config.mistake("calibration of %q: %s; check the wiring, the divider and the scale first", channel, why)
	}
	return n.writeRecord(ctx, ch, r.Append(nil))
}

// EraseCalibration takes a channel's calibration off the board.
func (n *Node) EraseCalibration(ctx context.Context, channel string) error {
	ch, err := n.calibrated(channel)
	if err != nil {
		return err
	}
	return n.writeRecord(ctx, ch, erasedRecord(ch.Pin))
}

func (n *Node) calibrated(channel string) (*ChannelConfig, error) {
	ch := n.channel(channel)
	if ch == nil {
		return nil, n.noChannel(channel)
	}
	if ch.stored.Status == CalibrationUnsupported {
		return nil, n.refusal(probe.InstrumentErr, "its firmware keeps no calibration", "put the firmware of this program on the board")
	}
	return ch, nil
}

// record makes the board's absolute form of a calibration that is relative to
// readings as they are: true = Gain × (Scale × V + Offset) + offset.
func (c Calibration) record(ch *ChannelConfig) Record {
	// As a function of V, the variance is A·V² + 2·B·V + C.
	a := sq(ch.Scale * c.GainU)
	b := ch.Scale * (ch.Offset*sq(c.GainU) + c.Correlation*c.GainU*c.OffsetU)
	at0 := sq(ch.Offset*c.GainU) + sq(c.OffsetU) + 2*ch.Offset*c.Correlation*c.GainU*c.OffsetU
	r := Record{
		Pin: ch.Pin, Quantity: ch.Quantity, Scale: c.Gain * ch.Scale, Offset: c.Gain*ch.Offset + c.Offset,
		ScaleU: math.Sqrt(a), OffsetU: math.Sqrt(max(0, at0)),
		Day: c.Date.UTC().Truncate(24 * time.Hour), Reference: c.Reference,
	}
	if r.ScaleU > 0 && r.OffsetU > 0 {
		r.Correlation = max(-1, min(1, b/(r.ScaleU*r.OffsetU)))
	}
	return r
}

func sq(x float64) float64 { return x * x }

func (n *Node) writeRecord(ctx context.Context, ch *ChannelConfig, record []byte) error {
	if err := n.orderWithin(ctx, writeWithin, WriteCalibration, record...); err != nil {
		return err
	}
	back, err := n.readRecord(ctx, ch.Pin)
	if err != nil {
		return err
	}
	if !bytes.Equal(back, record) {
		return n.refusal(probe.InstrumentErr, fmt.Sprintf("the calibration of %q reads back otherwise than it was written", ch.Name),
			"write it again; if that does not help, the board's memory is worn")
	}
	return nil
}

// readRecord asks for one until it comes.
func (n *Node) readRecord(ctx context.Context, slot int) ([]byte, error) {
	for range tries {
		n.mu.Lock()
		n.records[slot] = nil
		n.mu.Unlock()
		if err := n.order(ctx, ReadCalibration, byte(slot)); err != nil {
			return nil, err
		}
		n.mu.Lock()
		record := n.records[slot]
		n.mu.Unlock()
		if record != nil {
			return record, nil
		}
	}
	return nil, fmt.Errorf("node %s on %s: %w to the question for its calibration; look at the board and its lead", n.config.Name, n.conn.Name(), probe.ErrSilent)
}

func (n *Node) takeCalibration(body []byte) error {
	if len(body) < 1+RecordSize {
		return tooShort("calibration", body, 1+RecordSize)
	}
	if slot := int(body[0]); slot < slots {
		n.records[slot] = slices.Clone(body[1 : 1+RecordSize])
	}
	return nil
}

// adoptCalibrations reads what the board holds and gives each channel its
// scale. What is damaged or not of this channel is told and not used.
func (n *Node) adoptCalibrations(ctx context.Context) error {
	for i := range n.config.Channels {
		ch := &n.config.Channels[i]
		if !n.hello.KeepsCalibration {
			ch.stored.Status = CalibrationUnsupported
			continue
		}
		raw, err := n.readRecord(ctx, ch.Pin)
		if err != nil {
			return err
		}
		ch.adopt(raw)
		if ch.stored.Status == CalibrationDamaged {
			n.tally.Refuse(probe.BadChecksum)
		}
	}
	return nil
}

func (ch *ChannelConfig) adopt(raw []byte) {
	r, err := ParseRecord(raw)
	switch why := ""; {
	case errors.Is(err, errErased):
		ch.stored.Status = CalibrationNone
		return
	case err != nil:
		ch.refuse(CalibrationDamaged, fmt.Sprintf("the calibration of %q on the board is damaged, %v", ch.Name, err))
	case r.Pin != ch.Pin:
		ch.refuse(CalibrationDamaged, fmt.Sprintf("the calibration of %q on the board is that of channel %d", ch.Name, r.Pin))
	default:
		if why = ch.foreign(r); why != "" {
			ch.refuse(CalibrationForeign, fmt.Sprintf("the calibration of %q on the board is not of this input, %s", ch.Name, why))
			return
		}
		ch.Scale, ch.Offset = r.Scale, r.Offset
		ch.stored.Status, ch.stored.Record = CalibrationUsed, r
	}
}

// refuse goes on with the config's scale and an accuracy that is wide enough
// for an input that nobody has compared with anything.
func (ch *ChannelConfig) refuse(status CalibrationStatus, what string) {
	ch.stored.Status = status
	ch.stored.Detail = fmt.Sprintf("%s: it is not used, and readings count as ±%.3g %% at best; calibrate the channel anew, or erase it", what, unknownScale.OfReading*100)
	ch.Accuracy.OfReading = max(ch.Accuracy.OfReading, unknownScale.OfReading)
	ch.Accuracy.Digits = max(ch.Accuracy.Digits, unknownScale.Digits)
}

// foreign says why a record cannot be of this channel.
func (ch *ChannelConfig) foreign(r Record) string {
	off := math.Abs(r.Scale/ch.nominalScale - 1)
	span := fullVolts * math.Abs(ch.nominalScale)
	switch {
	case r.Quantity != ch.Quantity:
		return fmt.Sprintf("it is of %s, the channel reads %s", r.Quantity, ch.Quantity)
	case off > furthest:
		return fmt.Sprintf("its scale %.6g is %.3g %% off the %.6g that was named", r.Scale, off*100, ch.nominalScale)
	case math.Abs(r.Offset-ch.nominalOffset) > furthest*span:
		return fmt.Sprintf("its offset %.6g %s is far off the %.6g that was named", r.Offset, r.Quantity.Unit(), ch.nominalOffset)
	}
	return ""
}

// fullVolts is about what an input reads at most, to judge an offset by.
const fullVolts = 5

// accuracy of a reading at so many volts at the pin. A calibration's own
// uncertainty at just this value stands in OfRange, as the half-width that
// gives this standard uncertainty back (√3 u).
func (ch *ChannelConfig) accuracy(volts, fullScale float64) probe.Accuracy {
	if ch.stored.Status != CalibrationUsed {
		return ch.Accuracy
	}
	a := ch.Drift
	if a == (probe.Accuracy{}) {
		a = driftSince
	}
	a.OfRange += math.Sqrt(3) * ch.stored.Record.uncertainty(volts) / fullScale
	return a
}

// calibratedOn is the oldest day, and the references, when every channel is
// calibrated on the board.
func (n *Node) calibratedOn() (day time.Time, references string, all bool) {
	var names []string
	for i, ch := range n.config.Channels {
		if ch.stored.Status != CalibrationUsed {
			return time.Time{}, "", false
		}
		r := ch.stored.Record
		if i == 0 || r.Day.Before(day) {
			day = r.Day
		}
		if !slices.Contains(names, r.Reference) {
			names = append(names, r.Reference)
		}
	}
	return day, strings.Join(names, ", "), true
}
