package probe

import (
	"context"
	"time"
)

// A Source gives readings. One goroutine uses it at a time.
//
// Its errors are of three kinds, told apart with errors.As and errors.Is:
// a [*Refusal] (something came, but it is not a reading: the source is still
// good), [ErrSilent] (nothing came in time: try again or look at the lead),
// and [ErrGone] (the port has vanished: open the source again).
type Source interface {
	// Identity tells who answers, as the instrument itself says it.
	Identity() Identity

	// Channels lists what can be read, in the source's own order.
	Channels() []Channel

	// Read takes one fresh reading: one that was begun after the call.
	Read(ctx context.Context, channel string) (Reading, error)

	// Close gives the port up. It may be called twice.
	Close() error
}

// Settled is a source that gives a reading only when it is at rest, because a
// person waits for that: one reading is enough.
type Settled interface {
	Settled() bool
}

// A Cutter can take power away.
type Cutter interface {
	// Cut takes power away at once, even while another goroutine uses the
	// instrument. It returns when the instrument has confirmed it, or with the
	// error that leaves it in doubt.
	Cut(ctx context.Context) error
}

// A Supply is a programmable power supply.
type Supply interface {
	Source
	Cutter

	// Set gives the output voltage in volts and the current limit in amperes.
	Set(ctx context.Context, volts, amperes float64) error

	// Output switches the output on or off.
	Output(ctx context.Context, on bool) error
}

// Identity says which instrument a source is.
type Identity struct {
	Name        string    `json:"name"` // what the person calls it
	Maker       string    `json:"maker"`
	Model       string    `json:"model"`
	Serial      string    `json:"serial"`
	Firmware    string    `json:"firmware"`
	Port        string    `json:"port"`
	Calibrated  time.Time `json:"calibrated,omitzero"` // zero when not known
	Due         time.Time `json:"due,omitzero"`        // when it is to be calibrated again
	Certificate string    `json:"certificate,omitempty"`
}

// Channel is one thing that a source can read.
type Channel struct {
	Name     string   `json:"name"`
	Quantity Quantity `json:"quantity"`
	Accuracy Accuracy `json:"accuracy"`

	// Ranges are accuracy lines for single ranges, where there are such; then
	// Accuracy is that of all others.
	Ranges []RangeAccuracy `json:"ranges,omitempty"`
}

// RangeAccuracy is the accuracy on the ranges up to a full scale, in the
// channel's SI unit.
type RangeAccuracy struct {
	UpTo     float64  `json:"up_to"`
	Accuracy Accuracy `json:"accuracy"`
}
