package scpi

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"loomproof/probe"
	"loomproof/probe/port"
)

// SupplyOptions say how a supply is to be talked with.
type SupplyOptions struct {
	Options

	// Ratings, which are also the full scale of what is read back. Zero asks
	// the supply, with VOLT? MAX and CURR? MAX.
	MaxVolts, MaxAmperes float64
}

var supplyChannels = []probe.Channel{
	{Name: "voltage", Quantity: probe.Voltage},
	{Name: "current", Quantity: probe.Current},
}

// readBacks and knobs belong to supplyChannels, one for one.
var (
	readBacks = []string{"MEAS:VOLT?", "MEAS:CURR?"}
	knobs     = []string{"VOLT", "CURR"}
)

// errCut is why an exchange in progress was given up.
var errCut = errors.New("power is being cut")

// A Supply is a programmable supply. It implements [probe.Supply].
type Supply struct {
	s        *session
	channels []probe.Channel
	ratings  []float64 // for each channel
	watches  []watch
}

// OpenSupply talks to the supply on a line: it finds out who answers, clears
// its error queue, sends the set-up and learns the ratings. The output and its
// settings stay as they are. The supply owns the line from now on; when opening
// fails the line is closed. Errors are those of [OpenMeter].
func OpenSupply(ctx context.Context, conn port.Conn, options SupplyOptions) (*Supply, error) {
	s, err := open(ctx, conn, options.Options)
	if err != nil {
		return nil, err
	}
	p := &Supply{
		s: s, channels: slices.Clone(supplyChannels),
		ratings: []float64{options.MaxVolts, options.MaxAmperes}, watches: make([]watch, len(supplyChannels)),
	}
	for i := range p.channels {
		p.channels[i].Accuracy = options.Accuracy[p.channels[i].Name]
	}
	if err := p.askRatings(ctx); err != nil {
		s.close()
		return nil, err
	}
	return p, nil
}

func (p *Supply) askRatings(ctx context.Context) error {
	for i := range p.ratings {
		if p.ratings[i] > 0 {
			continue
		}
		query := knobs[i] + "? MAX"
		answers, _, err := p.s.ask(ctx, query)
		if err != nil {
			return p.s.asRefusal(ctx, err)
		}
		n, err := parseNumber(answers[0])
		if err != nil || n.value <= 0 || n.value >= infinity {
			return p.s.asRefusal(ctx, badFrame{answers[0], query})
		}
		p.ratings[i] = n.value
	}
	return nil
}

// Identity tells who answered.
func (p *Supply) Identity() probe.Identity { return p.s.identity }

// Channels lists what the supply reads back.
func (p *Supply) Channels() []probe.Channel { return slices.Clone(p.channels) }

// Counters says what came from the supply so far. Any goroutine may ask.
func (p *Supply) Counters() probe.Counters { return p.s.tally.Counters() }

// Close gives the port up. The output stays as it is: call [Supply.Cut] first
// when it must be off.
func (p *Supply) Close() error { return p.s.close() }

// Read takes one fresh read-back.
func (p *Supply) Read(ctx context.Context, channel string) (probe.Reading, error) {
	i, err := lookUp(p.s, p.channels, channel)
	if err != nil {
		return probe.Reading{}, err
	}
	ctx, end, err := p.start(ctx)
	if err != nil {
		return probe.Reading{}, err
	}
	defer end()
	c := p.channels[i]
	n, at, err := p.s.steadyNumber(ctx, &p.watches[i], readBacks[i], func() (number, time.Time, error) {
		answers, at, err := p.s.ask(ctx, readBacks[i])
		if err != nil {
			return number{}, time.Time{}, p.s.asRefusal(ctx, err)
		}
		n, err := p.s.value(ctx, answers[0], readBacks[i], c)
		return n, at, err
	})
	if err != nil {
		return probe.Reading{}, err
	}
	return probe.Reading{
		Value: n.value, Quantity: c.Quantity, Source: p.s.name(), Channel: c.Name, At: at,
		Accuracy: c.Accuracy, FullScale: p.ratings[i], Digit: n.step,
	}, nil
}

// start takes the turn and reads why the last exchange failed, if it did.
func (p *Supply) start(ctx context.Context) (context.Context, func(), error) {
	ctx, end, err := p.s.take(ctx)
	if err != nil {
		return nil, nil, err
	}
	if err := p.s.clearDoubt(ctx); err != nil {
		end()
		return nil, nil, err
	}
	return ctx, end, nil
}

// Set gives the output voltage in volts and the current limit in amperes, both
// from zero to the ratings, and returns when the supply has confirmed them. The
// limit goes first, so that a higher voltage never meets the old limit.
func (p *Supply) Set(ctx context.Context, volts, amperes float64) error {
	wanted := []float64{volts, amperes}
	for i, v := range wanted {
		if !(v >= 0 && v <= p.ratings[i]) {
			unit := p.channels[i].Quantity.Unit()
			return fmt.Errorf("%s: cannot be set to %g %s; its rating is 0 to %g %s", p.s.name(), v, unit, p.ratings[i], unit)
		}
	}
	ctx, end, err := p.start(ctx)
	if err != nil {
		return err
	}
	defer end()
	for _, i := range []int{1, 0} {
		command := knobs[i] + " " + strconv.FormatFloat(math.Round(wanted[i]*1e6)/1e6, 'f', -1, 64)
		if err := p.s.tell(ctx, command); err != nil {
			return err
		}
		if err := p.s.noErrors(ctx, "after "+command); err != nil {
			return err
		}
	}
	answers, _, err := p.s.ask(ctx, "VOLT?", "CURR?")
	if err != nil {
		return p.s.asRefusal(ctx, err)
	}
	for i, answer := range answers {
		if err := p.checkSetting(ctx, i, answer, wanted[i]); err != nil {
			return err
		}
	}
	return nil
}

// checkSetting compares what the supply says it is set to. It may round, so
// two steps of what it sends and a thousandth are allowed.
func (p *Supply) checkSetting(ctx context.Context, i int, answer string, wanted float64) error {
	n, err := parseNumber(answer)
	if err != nil {
		return p.s.asRefusal(ctx, badFrame{answer, knobs[i] + "?"})
	}
	if math.Abs(n.value-wanted) > 2*n.step+wanted/1000 {
		unit := p.channels[i].Quantity.Unit()
		return p.s.refuse(ctx, probe.InstrumentErr, fmt.Sprintf("set to %g %s, it says %s %s", wanted, unit, answer, unit),
			"check that its front panel does not hold the setting")
	}
	return nil
}

// Output switches the output, and returns when the supply has confirmed it.
func (p *Supply) Output(ctx context.Context, on bool) error {
	if !on {
		return p.Cut(ctx)
	}
	ctx, end, err := p.start(ctx)
	if err != nil {
		return err
	}
	defer end()
	if err := p.s.tell(ctx, "OUTP ON"); err != nil {
		return err
	}
	if err := p.s.noErrors(ctx, "after OUTP ON"); err != nil {
		return err
	}
	isOn, err := p.isOn(ctx)
	if err != nil {
		return err
	}
	if !isOn {
		return p.s.refuse(ctx, probe.InstrumentErr, "switched on, it says its output is off", "see what its display says")
	}
	return nil
}

// Cut switches the output off at once, and returns when the supply has
// confirmed it. It may be called while another goroutine reads: that exchange
// is given up. An error means that the output may still be on.
func (p *Supply) Cut(ctx context.Context) error {
	sent := p.s.write("OUTP OFF") // before anything that could wait
	p.s.interrupt(errCut)
	if sent != nil {
		return inDoubt(sent)
	}
	ctx, end, err := p.s.take(ctx)
	if err != nil {
		return inDoubt(err)
	}
	defer end()
	const tries = 3 // another goroutine's OUTP ON may have been on its way
	for range tries {
		on, err := p.isOn(ctx)
		if err == nil && !on {
			return nil
		}
		if ctx.Err() != nil || errors.Is(err, probe.ErrGone) {
			return inDoubt(err)
		}
		if sendErr := p.s.write("OUTP OFF"); sendErr != nil {
			return inDoubt(errors.Join(err, sendErr))
		}
		sent = err
	}
	if sent == nil {
		sent = fmt.Errorf("%s: it says its output is on", p.s.name())
	}
	return inDoubt(sent)
}

func inDoubt(err error) error {
	return fmt.Errorf("the output may still be on, switch it off by hand: %w", err)
}

// isOn asks whether the output is on.
func (p *Supply) isOn(ctx context.Context) (bool, error) {
	answers, _, err := p.s.ask(ctx, "OUTP?")
	if err != nil {
		return false, p.s.asRefusal(ctx, err)
	}
	switch answers[0] {
	case "0", "OFF":
		return false, nil
	case "1", "ON":
		return true, nil
	}
	return false, p.s.asRefusal(ctx, badFrame{answers[0], "OUTP?"})
}
