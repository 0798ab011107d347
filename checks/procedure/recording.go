package procedure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"go.starlark.net/starlark"

	"loomproof/checks/design"
	"loomproof/checks/groundrun"
	"loomproof/checks/recording"
	"loomproof/checks/recording/recorder"
	"loomproof/checks/verdict"
	"loomproof/probe"
)

// begunWithin is how long the begin of a recording may take.
const begunWithin = 10 * time.Second

// A recordOutcome is what became of the wish to record.
type recordOutcome struct {
	On    bool     `json:"on"`
	Why   string   `json:"why,omitempty"` // not
	Roles []string `json:"roles,omitempty"`
}

// slRecord starts a recording of the node's channels.
func (p *Performance) slRecord(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var title string
	if err := starlark.UnpackArgs(name, args, kwargs, "title", &title); err != nil {
		return nil, err
	}
	if p.recorded != "" {
		return nil, fmt.Errorf("%q is being recorded already: end_record() comes first", p.recorded)
	}
	var out recordOutcome
	err := p.effect("record", map[string]any{"title": title}, &out, func(ctx context.Context) (err error) {
		out, err = p.startRecording(ctx, title)
		return err
	})
	if out.On {
		p.recorded = title
	}
	return record("recording", "on", starlark.Bool(out.On), "why", starlark.String(out.Why), "roles", texts(out.Roles)), err
}

// startRecording starts a stretch of the recording, and keeps that it has begun. That
// there is nothing to record with is no error.
func (p *Performance) startRecording(ctx context.Context, title string) (recordOutcome, error) {
	if p.Recorder == nil || p.Bench.Node == nil {
		return recordOutcome{Why: "there is no node on this bench that gives samples"}, nil
	}
	inputs := p.Recorder.Inputs(p.Bench.Node.Identity().Name, p.Bench.NodeVolts)
	out := recordOutcome{On: true}
	x := Recorded{Title: title}
	for _, in := range inputs {
		x.Channels = append(x.Channels, in.Name)
		if in.Role != "" {
			out.Roles = append(out.Roles, string(in.Role))
		}
	}
	if len(out.Roles) == 0 {
		return recordOutcome{Why: "none of the node's channels says what it is of; name them so: bus voltage, battery current"}, nil
	}
	err := p.Recorder.Start(ctx, recorder.Order{By: p.Name, Title: title, Inputs: inputs})
	if errors.Is(err, recorder.ErrBusy) {
		return recordOutcome{Why: "another recording goes on; stop it on the page of recordings first"}, nil
	}
	if err != nil {
		return out, err
	}
	ctx, cancel := context.WithTimeout(ctx, begunWithin)
	defer cancel()
	s, err := p.Recorder.Begun(ctx)
	if err != nil {
		return out, fmt.Errorf("the recording does not begin: %w", err)
	}
	x.Recording, x.Begun = s.Recording, s.Begun
	p.stretches = append(p.stretches, x)
	_, err = p.Sheet.Append(context.WithoutCancel(p.ctx), KindRecording, x)
	return out, err
}

// goOnRecording begins another stretch when the worksheet goes on in the midst of a
// recording, and says what is missing.
func (p *Performance) goOnRecording() error {
	p.stretches = RecordingsIn(p.records)
	if p.recorded == "" {
		return nil
	}
	if err := p.keepRecordings(p.ctx); err != nil {
		return err
	}
	out, err := p.startRecording(p.ctx, p.recorded)
	if err != nil {
		return err
	}
	said := "The recording was cut short when the worksheet stopped. What is between is missing; it goes on as another one."
	if !out.On {
		said = "The recording was cut short when the worksheet stopped, and does not go on: " + out.Why + "."
	}
	_, err = p.Sheet.Append(context.WithoutCancel(p.ctx), kindNote, Note{Text: said})
	return err
}

// slMark sets a marker; without a recording it is a remark.
func (p *Performance) slMark(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var said, kind string
	if err := starlark.UnpackArgs(name, args, kwargs, "text", &said, "kind?", &kind); err != nil {
		return nil, err
	}
	if kind != "" && !slices.Contains(recording.Kinds(), recording.Kind(kind)) {
		return nil, fmt.Errorf("there is no marker of the kind %q; there are: %s", kind, recorder.Words())
	}
	if p.recorded == "" {
		return starlark.None, p.record(kindNote, Note{Text: "Marker: " + said})
	}
	var out struct{}
	err := p.effect("mark", map[string]any{"text": said, "kind": kind}, &out, func(context.Context) error {
		err := p.Recorder.MarkAs(recording.Marker{Kind: recording.Kind(kind), Text: said, By: p.Name})
		if errors.Is(err, recorder.ErrIdle) {
			return nil // somebody stopped it; its end says so
		}
		return err
	})
	return starlark.None, err
}

// slKeepOn lets a recording go on for some seconds with nothing changed.
func (p *Performance) slKeepOn(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var say string
	var wanted number
	if err := starlark.UnpackArgs(name, args, kwargs, "seconds", &wanted, "say", &say); err != nil {
		return nil, err
	}
	if !(wanted >= 0) || wanted > mostKeptOn {
		return nil, fmt.Errorf("%v seconds: give 0 to %d", wanted, mostKeptOn)
	}
	if p.recorded == "" {
		return starlark.Float(0), nil
	}
	var out struct {
		Seconds float64 `json:"seconds"`
	}
	err := p.effect("keep on", map[string]any{"seconds": float64(wanted), "say": say}, &out, func(ctx context.Context) error {
		out.Seconds = float64(wanted)
		if p.Shortened > 0 {
			out.Seconds *= p.Shortened
		}
		ctx, done := p.untilTripped(ctx)
		defer done()
		p.Desk.show(Now{Kind: DoNothing, Say: say, Detail: fmt.Sprintf("%.0f s are recorded.", out.Seconds)})
		over := time.NewTimer(time.Duration(out.Seconds * float64(time.Second)))
		defer over.Stop()
		select {
		case <-over.C:
		case <-ctx.Done():
			if err := context.Cause(ctx); !p.tripped(err) {
				return err
			}
		}
		return nil
	})
	return starlark.Float(out.Seconds), err
}

// mostKeptOn is the longest that a script may wait at once, in seconds.
const mostKeptOn = 3600

// slRecorded is the mean of what a role's channel recorded in the last seconds.
func (p *Performance) slRecorded(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var role string
	last := number(2)
	if err := starlark.UnpackArgs(name, args, kwargs, "role", &role, "seconds?", &last); err != nil {
		return nil, err
	}
	if !(last > 0) || last > mostKeptOn {
		return nil, fmt.Errorf("%v seconds: give a time above 0", last)
	}
	if p.recorded == "" {
		return nil, errors.New("nothing is recorded: ask record(...).on first")
	}
	t, err := p.take("recorded", map[string]any{"role": role, "seconds": float64(last)}, func(ctx context.Context) (Captured, error) {
		return p.meanRecorded(ctx, recording.Role(role), float64(last))
	})
	return p.takenValue(t), err
}

func (p *Performance) meanRecorded(ctx context.Context, role recording.Role, last float64) (c Captured, err error) {
	begun, cancel := context.WithTimeout(ctx, begunWithin)
	defer cancel()
	s, err := p.Recorder.Begun(begun)
	if err != nil {
		return c, fmt.Errorf("the recording has ended: %w", err)
	}
	r, err := p.Recorder.Store().Recording(ctx, s.Recording)
	if err != nil {
		return c, err
	}
	at := slices.IndexFunc(r.Channels(), func(ch recording.Channel) bool { return ch.Role == role })
	if at < 0 {
		return c, fmt.Errorf("nothing of the %s is recorded", role)
	}
	ch := r.Channels()[at]
	_, to := r.Span(at)
	var n, mean, squares float64
	for b, err := range r.Blocks(at, to-last, to) {
		if err != nil {
			return c, err
		}
		for i, code := range b.Codes {
			if b.At(i) < to-last {
				continue
			}
			n++
			d := ch.Value(code) - mean
			mean += d / n
			squares += d * (ch.Value(code) - mean)
		}
	}
	if n < 2 {
		return c, fmt.Errorf("no samples of the %s came in the last %g s", role, last)
	}
	now := time.Now().UTC()
	c = Captured{Quantity: ch.Quantity, Recorded: true, Value: mean, Deviation: math.Sqrt(squares / (n - 1)), Count: int(n), At: now, Last: probe.Reading{
		Value: mean, Quantity: ch.Quantity, Source: p.Bench.Node.Identity().Name, Channel: ch.Name, At: now,
		Accuracy: ch.Accuracy, Digit: ch.Scale, FullScale: ch.FullScale,
	}}
	if role == recording.BusVolts {
		c.Red, c.Black = p.Bench.NodeBus, p.reference()
	}
	return c, nil
}

// slEndRecord ends the recording and keeps its digest in the worksheet's chain.
func (p *Performance) slEndRecord(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	if err := starlark.UnpackArgs(name, args, kwargs); err != nil {
		return nil, err
	}
	if p.recorded == "" {
		return nil, errors.New("nothing is recorded: ask record(...).on first")
	}
	var out struct {
		Seconds float64 `json:"seconds"`
		Gaps    int     `json:"gaps"`
	}
	err := p.effect("end record", map[string]any{}, &out, func(ctx context.Context) error {
		if err := p.stopRecording(); err != nil {
			return err
		}
		if err := p.keepRecordings(ctx); err != nil {
			return err
		}
		for i, x := range p.stretches {
			out.Seconds += x.Seconds
			out.Gaps += x.Gaps + min(i, 1)
		}
		return nil
	})
	p.recorded = ""
	return record("recorded", "seconds", starlark.Float(out.Seconds), "gaps", starlark.MakeInt(out.Gaps)), err
}

// stopRecording ends the stretch that goes on, if it is this worksheet's.
func (p *Performance) stopRecording() error {
	if p.Recorder == nil || len(p.stretches) == 0 {
		return nil
	}
	s, _ := p.Recorder.State()
	if s.Phase == recorder.Idle || s.Recording != p.stretches[len(p.stretches)-1].Recording {
		return nil
	}
	if _, err := p.Recorder.Stop(context.WithoutCancel(p.ctx)); err != nil && !errors.Is(err, recorder.ErrIdle) {
		return err
	}
	return nil
}

// keepRecordings keeps, of each stretch that has ended, what it was and the digest
// over its bytes.
func (p *Performance) keepRecordings(ctx context.Context) error {
	for i, x := range p.stretches {
		if x.Digest != "" || p.Recorder == nil {
			continue
		}
		st := p.Recorder.Store()
		r, err := st.Recording(ctx, x.Recording)
		if err != nil {
			return err
		}
		seal, err := st.Seal(ctx, x.Recording)
		if err != nil {
			return err
		}
		sum, err := recorder.Summarise(x.Recording, r)
		if err != nil {
			return err
		}
		x.Ended, x.Why, x.Seconds, x.Digest = r.Ended, r.Why, sum.Seconds, seal.Digest
		for _, c := range sum.Channels {
			x.Samples += c.Samples
			x.Gaps += c.Gaps
		}
		p.stretches[i] = x
		if _, err := p.Sheet.Append(context.WithoutCancel(p.ctx), KindRecording, x); err != nil {
			return err
		}
	}
	return nil
}

// An analysed recording: its figures as steps, and what else is to be said.
type analysed struct {
	Steps []Step   `json:"steps"`
	Notes []string `json:"notes"`
}

// slAnalyse makes a step of each figure of the recorded ground run that a limit is
// known for.
func (p *Performance) slAnalyse(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var places analysisPlaces
	var poles, ratio number
	if err := starlark.UnpackArgs(name, args, kwargs, "alternator", &places.alternator, "battery", &places.battery, "earth?", &places.earth,
		"pole_pairs?", &poles, "ratio?", &ratio); err != nil {
		return nil, err
	}
	if p.recorded != "" {
		return nil, errors.New("the recording goes on: end_record() comes first")
	}
	o := groundrun.Options{Nominal: float64(p.Design.Aircraft.Nominal), PolePairs: float64(poles), Ratio: float64(ratio)}
	if b := p.Design.SourceOf(design.Battery); b != nil {
		o.BatteryOhms = float64(b.Resistance)
	}
	var out analysed
	err := p.effect("analyse", map[string]any{}, &out, func(ctx context.Context) error {
		var parts []recording.Recording
		for _, x := range p.stretches {
			r, err := p.Recorder.Store().Recording(ctx, x.Recording)
			if err != nil {
				return err
			}
			parts = append(parts, r)
		}
		whole, err := recording.Join(parts...)
		if err != nil {
			return err
		}
		rep, err := groundrun.Analyse(whole, o)
		if errors.Is(err, groundrun.ErrNothing) {
			out.Notes = []string{err.Error()}
			return nil
		}
		if err != nil {
			return err
		}
		out = p.analysed(rep, places)
		return nil
	})
	if err != nil {
		return nil, err
	}
	word := []verdict.Word{}
	for _, s := range out.Steps {
		word = append(word, verdict.Word(s.Verdict))
		s.ID = p.stepID(s.What, s.Circuit, measured{})
		if err := p.record(kindStep, s); err != nil {
			return nil, err
		}
	}
	for _, n := range out.Notes {
		if err := p.record(kindNote, Note{Text: n}); err != nil {
			return nil, err
		}
	}
	return record("analysis", "verdict", starlark.String(verdict.Worst(word...)), "steps", starlark.MakeInt(len(out.Steps)), "notes", texts(out.Notes)), nil
}

// analysisPlaces are what in the aircraft the figures are of.
type analysisPlaces struct{ alternator, battery, earth string }

// of tells what a figure is of.
func (a analysisPlaces) of(c groundrun.Check) string {
	switch {
	case groundrun.OfEarth(c) && a.earth != "":
		return a.earth
	case groundrun.OfBattery(c) || groundrun.OfEarth(c):
		return a.battery
	}
	return a.alternator
}

// analysed makes steps of the figures, each with the finding that rests on it.
func (p *Performance) analysed(rep *groundrun.Report, places analysisPlaces) (out analysed) {
	parts := map[string]string{}
	for _, x := range rep.Parts {
		parts[x.ID] = x.Name
	}
	for _, c := range rep.Checks {
		if c.Verdict == "" {
			continue
		}
		what := c.What
		if what == WhatBus {
			what = "voltage while charging" // no reading of a state that the design knows
		}
		s := p.step(what, places.of(c), measured{value: c.Reading, u: c.Uncertainty / 2})
		s.Unit, s.Low, s.High, s.Rule = c.Unit, c.Low, c.High, c.Cite
		s.Verdict, s.Probability, s.Decide, s.Note = string(c.Verdict), c.Probability, c.Decide, c.Note
		if c.Part != "" {
			s.Title += ", " + parts[c.Part]
		}
		for _, f := range rep.Findings {
			if c.Verdict == verdict.Fail && slices.Contains(f.Evidence, c.ID) {
				s.Finding, s.Try = f.What, f.Try
			}
		}
		out.Steps = append(out.Steps, s)
	}
	for _, n := range rep.Untold {
		out.Notes = append(out.Notes, "The recording cannot tell: "+n)
	}
	return out
}
