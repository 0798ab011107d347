package procedure

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"go.starlark.net/starlark"

	"loomproof/checks/design"
	"loomproof/checks/recording/recorder"
)

// A ScriptWord is something that a script can use: a value of the design, or a function.
type ScriptWord struct {
	Use     string // how it is written, with what may be left out: hold(say, detail="")
	Says    string // what it does and gives
	Example string // a script; it is run as a test, in a rehearsal on the Marsh Hen
	Group   string // heading in the list of words

	do    func(p *Performance, name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error)
	value func(p *Performance) starlark.Value // instead of do; neither is there for what a script sets itself
}

// Name is the word itself.
func (w ScriptWord) Name() string {
	name, _, _ := strings.Cut(w.Use, "(")
	return name
}

// pure is a function that needs nothing of the performance.
func pure(f func(string, starlark.Tuple, []starlark.Tuple) (starlark.Value, error)) func(*Performance, string, starlark.Tuple, []starlark.Tuple) (starlark.Value, error) {
	return func(_ *Performance, name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		return f(name, args, kwargs)
	}
}

// The headings of the list of words.
const (
	groupSelf   = "What it says of itself"
	groupDesign = "The design"
	groupSay    = "Saying and asking"
	groupHands  = "What hands do"
	groupRead   = "Reading"
	groupJudge  = "Judging"
	groupRecord = "Recording"
	groupReckon = "Reckoning"
)

// ScriptWords is everything that a script can use. To add a word, add it here, with an
// example; the list of words in scripts/WORDS.md is made from it.
func ScriptWords() []ScriptWord {
	return []ScriptWord{
		{
			Group: groupSelf, Use: "TOOLS", Says: "Set at its top: what has to lie ready beside the instruments, a list of texts. A rehearsal prints it.",
			Example: `TOOLS = ["fire extinguisher", "milliohm meter"]`,
		},
		{
			Group: groupSelf, Use: "PEOPLE", Says: "Set at its top: how many people it takes.",
			Example: `PEOPLE = 2`,
		},
		{
			Group: groupSelf, Use: "CANNOT_SEE", Says: "Set at its top: what a pass of it says nothing about, a list of texts. The report says it beside the verdict.",
			Example: `CANNOT_SEE = ["the charging system", "antenna leads"]`,
		},
		{
			Group: groupDesign, Use: "aircraft", Says: ".name, .nominal (volts).",
			Example: `note("%s, %d V" % (aircraft.name, aircraft.nominal))`,
			value: func(p *Performance) starlark.Value {
				return record("aircraft", "name", starlark.String(p.Design.Aircraft.Name), "nominal", starlark.Float(p.Design.Aircraft.Nominal))
			},
		},
		{
			Group: groupDesign, Use: "buses", Says: "A list: .name, .title, .feeder (circuit that feeds it; \"\" for none), .breaker (whether that has one), .label (of that), .switch, .parent (bus before it).",
			Example: `for b in buses:
    note("%s is fed by %s" % (b.title, b.feeder))`,
			value: func(p *Performance) starlark.Value { return list(p.Design.Buses, p.busValue) },
		},
		{
			Group: groupDesign, Use: "circuits", Says: "A list: .name, .title, .bus, .rating (amperes; 0 for none), .label (of its protector), .switch (\"\" for none), .feed (terminals from the bus to the load that a probe reaches), .minus, .skip (why it gets no power on the bench; \"\"), .essential, .continuous, .short_draw (amperes of its short work; 0 for none), .transmits (has short work of another draw), .nature, .brief (a winding or motor that goes off again as soon as it is read: a field heats and a pump runs dry with the engine stopped).",
			Example: `note(", ".join([c.title for c in circuits if c.essential]))`,
			value:   func(p *Performance) starlark.Value { return list(p.Design.Circuits, p.circuitValue) },
		},
		{
			Group: groupDesign, Use: "grounds", Says: "A list of the ground points' names.",
			Example: `note("%d ground points" % len(grounds))`,
			value: func(p *Performance) starlark.Value {
				return list(p.Design.Grounds, func(g *design.Ground) starlark.Value { return starlark.String(g.Name) })
			},
		},
		{
			Group: groupDesign, Use: "reference", Says: "The terminal for the black probe: the battery's minus.",
			Example: `note(say_point(reference))`,
			value:   func(p *Performance) starlark.Value { return starlark.String(p.reference()) },
		},
		{
			Group: groupDesign, Use: "supply", Says: ".volts and .limit of the design's bench supply; None if it has none.",
			Example: `power(volts = supply.volts, limit = supply.limit)
power_off()`,
			value: func(p *Performance) starlark.Value {
				s := p.Design.SourceOf(design.BenchSupply)
				if s == nil {
					return starlark.None
				}
				return record("supply", "volts", starlark.Float(s.Volts), "limit", starlark.Float(s.Limit))
			},
		},
		{
			Group: groupDesign, Use: "bench", Says: ".meter, .supply, .node: what is on the bench, True or False; .shunts, the circuits whose current the node reads; .ohms, whether the meter reads resistance; .series, how many amperes the meter can be put in series with (0: it reads none).",
			Example: `if bench.node:
    check("bus voltage", "master", read("node bus"), low = -0.1, high = 0.1, rule = "nothing is on yet")`,
			value: func(p *Performance) starlark.Value {
				return record("bench", "meter", starlark.Bool(p.Bench.Meter != nil), "supply", starlark.Bool(p.Bench.Supply != nil),
					"node", starlark.Bool(p.Bench.Node != nil && p.Bench.NodeVolts != ""),
					"ohms", starlark.Bool(p.Bench.readsOhms()), "series", starlark.Float(p.Bench.MeterAmperes), "shunts", texts(slices.Sorted(maps.Keys(p.Bench.NodeShunts))))
			},
		},
		{
			Group: groupDesign, Use: "say_point(terminal)", Says: "Where a terminal is, in words.",
			Example: `note(say_point("battery+"))`, do: (*Performance).slSayPoint,
		},

		{
			Group: groupSay, Use: `caution(text, source="")`, Says: "Is shown before the first hold point, and kept, with where it comes from.",
			Example: `caution("Rings and watch off.", source = "common practice")`, do: (*Performance).slCaution,
		},
		{
			Group: groupSay, Use: "note(text)", Says: "Is kept on the worksheet.",
			Example: `note("Not covered: insulation under high voltage.")`, do: (*Performance).slNote,
		},
		{
			Group: groupSay, Use: "section(title)", Says: "A heading: the steps behind it belong to it.",
			Example: `section("Main bus")`, do: (*Performance).slSection,
		},
		{
			Group: groupSay, Use: `hold(say, detail="", answers=["Done"], warn=False, within=None, what="", where="")`, Says: "A hold point: waits for a person, and gives the answer. What is to be done, and where, may be named for who cannot read, as emulated hands: what=\"engine speed\", where=\"idle\". With within=(0, 5) it is asked only in those minutes past the hour, UTC, and gives \"\" when it was left out.",
			Example: `if hold("Any smoke, smell or heat?", answers = ["None", "Yes"]) == "Yes":
    stop("Find the cause first.")`, do: (*Performance).slHold,
		},
		{
			Group: groupSay, Use: `words(say, detail="")`, Says: "Waits for something typed, and gives it.",
			Example: `note("Serial number: " + words("What stands on the plate of the radio?"))`, do: (*Performance).slWords,
		},
		{
			Group: groupSay, Use: `number(say, unit, circuit="", detail="")`, Says: "Waits for a number, and gives it.",
			Example: `amps = number("Which rating is marked on the breaker?", "A", circuit = "radio")
check_marking("radio", amps, "%s A" % amps)`, do: (*Performance).slNumber,
		},
		{
			Group: groupSay, Use: `date(say, detail="", what="", where="")`, Says: "Waits for a date: .text, .days (how long ago).",
			Example: `d = date("When does the battery of the locator expire?", what = "locator battery", where = "locator")
note(d.text)`, do: (*Performance).slDate,
		},
		{
			Group: groupSay, Use: `clock(say="", detail="")`, Says: "Has a person compare this computer's clock: .ok, .hour, .minute, .date, .why (not).",
			Example: `c = clock("Does it agree with a clock that you trust?")
if not c.ok:
    note("The clock cannot be trusted: " + c.why)`, do: (*Performance).slClock,
		},
		{
			Group: groupSay, Use: "row(table, name=value, ...)", Says: "Keeps a row of a table on the worksheet.",
			Example: `row("deviation card", For = "030", Steer = "028")`, do: (*Performance).slRow,
		},
		{
			Group: groupSay, Use: "needs(instrument, ...)", Says: "Ends the script here, before anything is asked, if one of \"meter\", \"supply\", \"node\" is not on the bench.",
			Example: `needs("meter", "supply")`, do: (*Performance).slNeeds,
		},
		{
			Group: groupSay, Use: "stop(why)", Says: "Ends the worksheet here, with the power off.",
			Example: `stop("The fire extinguisher is missing.")`, do: (*Performance).slStop,
		},

		{
			Group: groupHands, Use: "power(volts, limit)", Says: "Switches the supply on, watched: its own limit and the watch are set for what is on.",
			Example: `power(volts = 14, limit = 20)
power_off()`, do: (*Performance).slPower,
		},
		{
			Group: groupHands, Use: "power_off()", Says: "Switches the supply off.",
			Example: `power_off()`, do: (*Performance).slPowerOff,
		},
		{
			Group: groupHands, Use: `move(action, circuit, say, detail="", answers=["Done"], stay=[], warn=False)`,
			Says: "A hand closes or opens a protector (\"close\", \"open\"), switches (\"on\", \"off\"), does both (\"in\", \"out\"), or has a load do its short work (\"key\", \"release\"). Gives .ok, .answer, .cut (None, or the cut: .why). After an answer in stay the hand has not moved. With one answer only, and a watched supply on, the supply's current answers where the design has it change by enough to be told: nobody has to press a key.",
			Example: `m = move("close", "radio", "Close the breaker of the radio.", answers = ["Closed", "It does not hold"], stay = ["It does not hold"])
note("Closed: %s" % m.ok)`, do: (*Performance).slMove,
		},
		{
			Group: groupHands, Use: `feed(source, say, detail="", warn=False)`, Says: "A hand connects a battery or starts an alternator. Gives what move gives.",
			Example: `feed("battery", "Connect the battery, minus last.")
unfeed("battery", "Take the battery off, minus first.")`, do: (*Performance).slFeed,
		},
		{
			Group: groupHands, Use: `unfeed(source, say, detail="", warn=False)`, Says: "Takes it off again.",
			Example: `feed("battery", "Connect the battery, minus last.")
unfeed("battery", "Take the battery off, minus first.")`, do: (*Performance).slUnfeed,
		},
		{
			Group: groupHands, Use: `put(state, say, detail="", warn=False)`, Says: "Hands bring breakers and switches into a named state: \"all-on\", \"essential\", \"master-only\", \"asleep\", \"off\". Gives what move gives.",
			Example: `put("off", "All switches off, all breakers pulled?")`, do: (*Performance).slPut,
		},
		{
			Group: groupHands, Use: `plugs(out, say, detail="")`, Says: "Units are taken off their plugs (True), or put on again (False). Gives what move gives.",
			Example: `plugs(True, "Take all units off their plugs.")
plugs(False, "Put all plugs on again.")`, do: (*Performance).slPlugs,
		},

		{
			Group: groupRead, Use: `measure(red, black, say, detail="", quantity="voltage", joined=[], stays=False, closing="", comb=False)`,
			Says: "Probes on two terminals; the reading takes itself when it is steady. Gives .value, .open (no way between them), .cut. quantity is \"voltage\", \"resistance\" (power off; the terminals in joined are tied to black; \"\" is the airframe) or \"current\" (the meter in series, as from a bus over the open breaker of a circuit). stays: the probes are there already. closing: of resistance, the circuit whose protector and switch a hand closes meanwhile: the reading falls as they close. comb: black and the terminals in joined are clips of a comb, one of which red has too; that an open way was touched is then felt by its clip.",
			Example: `power(volts = supply.volts, limit = supply.limit)
m = measure("battery+", reference, "Red probe on " + say_point("battery+") + ".")
if not m.cut:
    check("bus voltage", "master", m)
power_off()`, do: (*Performance).slMeasure,
		},
		{
			Group: groupRead, Use: `pulse(red, black, say, seconds=3, pick="least", detail="")`, Says: "The least (or \"most\") of the readings from a person's word on: what a bus dips to while something transmits or cranks. Gives what measure gives.",
			Example: `power(volts = supply.volts, limit = supply.limit)
dip = pulse("battery+", reference, "Press the key of the radio for three seconds.")
power_off()`, do: (*Performance).slPulse,
		},
		{
			Group: groupRead, Use: `read(what, circuit="")`, Says: "Reads what needs no hand: \"supply current\", \"supply voltage\", \"node bus\", and with a circuit \"node current\". Gives what measure gives.",
			Example: `power(volts = supply.volts, limit = supply.limit)
check("total current", "master", read("supply current"))
power_off()`, do: (*Performance).slRead,
		},
		{
			Group: groupRead, Use: "tell_gaps(wants)", Says: "Before anything is begun: says what nothing on the bench can prove of the wants of plan, why, and which cheap addition would, and asks whether to go on. Gives what plan gives.",
			Example: `p = tell_gaps([("current", c.name, "", "") for c in circuits])
note("%d probe moves" % p.moves)`, do: (*Performance).slTellGaps,
		},
		{
			Group: groupRead, Use: "plan(wants)", Says: "How to find out, with what is on the bench, a list of (kind, circuit, from, to); kind is \"voltage\", \"drop\", \"current\", \"dip\" or \"ohms\"; a fifth, True, says that the meter can be put in series from from to to. Gives .order (each .red .black), .ways, .moves, .listed (moves going down the list), .cannot (each .kind .circuit .why .addition).",
			Example: `p = plan([("drop", "radio", "avionics", "radio.breaker"), ("dip", "radio", "avionics", reference)])
for gap in p.cannot:
    note("Not proven here: %s of %s. What would: %s." % (gap.kind, gap.circuit, gap.addition))`, do: (*Performance).slPlan,
		},
		{
			Group: groupRead, Use: "last(what, circuit)", Says: "What was read at that step in the worksheet before this one; None if there is none.",
			Example: `had = last("load voltage", "radio")
if had != None:
    note("Last year: " + quantity(had, "V"))`, do: (*Performance).slLast,
		},
		{
			Group: groupRead, Use: "crept_first(circuits)", Says: "The same circuits, those first that have crept since the worksheets before this one.",
			Example: `for c in crept_first(circuits):
    note(c.title)`, do: (*Performance).slCreptFirst,
		},
		{
			Group: groupRead, Use: `typed(say, quantity, where, detail="", accuracy="", least=None, most=None, what="")`, Says: "A reading that a person reads off and types; what measure gives.",
			Example: `t = typed("What does the thermometer show?", "temperature", "outside air", what = "air temperature", accuracy = "1 digits", least = -40, most = 60)
note("%s °C" % t.value)`, do: (*Performance).slTyped,
		},

		{
			Group: groupJudge, Use: "check(what, circuit, reading, minus=None)",
			Says: "Judges a reading, or the difference of two. what is \"bus voltage\", \"load voltage\", \"drop\", \"protector drop\", \"return drop\", \"feeder drop\", \"current\" or \"total current\": design value and limit follow from the design and its rules. A current may be two voltages: it is then told by the drop over what lies between them, and not done where that is not enough. With low=, high=, design=, rule=, status=, title= by limits of the script's own; then what and circuit are free words. Gives \"pass\", \"fail\", \"undecided\" or \"not done\".",
			Example: `power(volts = supply.volts, limit = supply.limit)
m = measure("battery+", reference, "Red probe on " + say_point("battery+") + ".")
if check("bus voltage", "master", m) == "fail":
    stop("The supply is not what it should be.")
power_off()`, do: (*Performance).slCheck,
		},
		{
			Group: groupJudge, Use: "check_slope(what, circuit, v1, v2, i1, i2, minus1=None, minus2=None)",
			Says: "A resistance from two levels of load: what the meter is off by drops out. Limits as for check.",
			Example: `power(volts = supply.volts, limit = supply.limit)
put("essential", "Essential loads on.")
v1, m1, i1 = measure("battery+", reference, "Red on battery plus."), measure(buses[0].name, reference, "Red on the bus."), read("supply current")
put("all-on", "All loads on.")
v2, m2, i2 = measure("battery+", reference, "Red on battery plus."), measure(buses[0].name, reference, "Red on the bus."), read("supply current")
check_slope("feeder resistance", "master", v1, v2, i1, i2, minus1 = m1, minus2 = m2, high = 0.05, rule = "what a sound feeder has")
power_off()`, do: (*Performance).slCheckSlope,
		},
		{
			Group: groupJudge, Use: "check_run(circuit, volts, minus, on, off)",
			Says: "The resistance of a circuit's run from two levels of load, the circuit on and off: what was lost over it while it was on, volts less minus, by what the supply's current fell by as it went off. What meter and supply are off by drops out. Limits as for check.",
			Example: `radio = [c for c in circuits if c.name == "radio"][0]
power(volts = supply.volts, limit = supply.limit)
put("all-on", "All loads on.")
bus, end = measure(radio.bus, reference, "Red on the bus."), measure(radio.feed[-1], reference, "Red on the radio.")
on = read("supply current")
move("open", "radio", "Open the breaker of the radio.")
check_run("radio", bus, end, on, read("supply current"))
power_off()`, do: (*Performance).slCheckRun,
		},
		{
			Group: groupJudge, Use: `check_number(what, where, value, unit, low=None, high=None, design=None, u=0, rule="", status="common practice", title="", note="")`,
			Says: "Judges a number that the script worked out; u is its standard uncertainty. Gives what check gives.",
			Example: `y = yardstick("compass")
check_number("deviation", "compass", 4, "°", low = y.low, high = y.high, u = 1, rule = y.rule, status = y.status)`, do: (*Performance).slCheckNumber,
		},
		{
			Group: groupJudge, Use: `observe(what, where, say, detail="", yes="Yes", no="No", finding="", attempt="", needed=False, hand=[])`,
			Says:    "A person looks or listens. finding is what no means, attempt what to try then; needed as in not_done. hand, a list of (action, circuit) as in move, is moved first: the answer says that, too; not with the watched supply on. Gives \"pass\", \"fail\" or \"not done\".",
			Example: `observe("light", "panel-lights", "Do all instruments light up?", no = "Not all", finding = "an instrument stays dark", attempt = "its lamp, its plug")`, do: (*Performance).slObserve,
		},
		{
			Group: groupJudge, Use: "check_marking(circuit, amperes, said=\"\")", Says: "Judges the rating that is marked on a protector against the design; said is a person's words.",
			Example: `check_marking("radio", [c.rating for c in circuits if c.name == "radio"][0], "Closed")`, do: (*Performance).slCheckMarking,
		},
		{
			Group: groupJudge, Use: "check_cut(circuit, cut)", Says: "Keeps as a failed step that the watch cut the power; cut is what move, measure or read gave.",
			Example: `power(volts = supply.volts, limit = supply.limit)
r = read("supply current")
if r.cut:
    check_cut("master", r.cut)
power_off()`, do: (*Performance).slCheckCut,
		},
		{
			Group: groupJudge, Use: `not_proven(what, circuit, kind="current")`, Says: "Keeps as a step that nothing on the bench can prove it, with why and what would, as plan has them: whatever else passes, the worksheet is then not done as a whole.",
			Example: `if not bench.supply:
    not_proven("total current", "master")`, do: (*Performance).slNotProven,
		},
		{
			Group: groupJudge, Use: `check_held(circuit, held, said="")`, Says: "Keeps whether a protector held as it was closed; said is a person's words.",
			Example: `m = move("close", "radio", "Close the breaker of the radio.", answers = ["Closed", "It does not hold"], stay = ["It does not hold"])
check_held("radio", m.ok, said = m.answer)`, do: (*Performance).slCheckHeld,
		},
		{
			Group: groupJudge, Use: "not_done(what, circuit, why, needed=False)", Says: "Keeps as a step that something was left out. With needed the whole is then not done, whatever else passes.",
			Example: `not_done("load voltage", "radio", "no probe reaches it")`, do: (*Performance).slNotDone,
		},
		{
			Group: groupJudge, Use: "overdraws(circuit)", Says: "Whether the latest \"current\" step of a circuit was above its limit.",
			Example: `if overdraws("radio"):
    move("open", "radio", "Open the breaker of the radio.")`, do: (*Performance).slOverdraws,
		},

		{
			Group: groupRecord, Use: `record(title)`, Says: "Starts a recording of every sample of the node on the bench: .on, .why (it is not), .roles (what is in it, as \"bus voltage\"). A channel says what it is of by its name; the one that reads the first bus is of the bus voltage.",
			Example: `run = record("Ground run")
note("recorded: " + ", ".join(run.roles) if run.on else "not recorded: " + run.why)`, do: (*Performance).slRecord,
		},
		{
			Group: groupRecord, Use: `mark(text, kind="")`, Says: "Sets a marker in the recording; without one it is a remark. A kind is what the analysis may rely on: " + recorder.Words() + ".",
			Example: `mark("flight speed", kind = "speed set")`, do: (*Performance).slMark,
		},
		{
			Group: groupRecord, Use: `keep_on(seconds, say)`, Says: "Waits so long while the recording goes on, with nothing changed, and gives how long; without a recording it goes on at once.",
			Example: `keep_on(20, "Hold idle.")`, do: (*Performance).slKeepOn,
		},
		{
			Group: groupRecord, Use: `recorded(role, seconds=2)`, Says: "A reading: the mean of what was recorded of the role in the last seconds.",
			Example: `if record("Idle").on:
    keep_on(5, "Hold idle.")
    check("charge current", "master", recorded("battery current"), low = 0, rule = "it charges")
    end_record()`, do: (*Performance).slRecorded,
		},
		{
			Group: groupRecord, Use: `end_record()`, Says: "Ends the recording, and keeps a digest over its every byte in the worksheet: .seconds, .gaps.",
			Example: `if record("Idle").on:
    note("%f s" % end_record().seconds)`, do: (*Performance).slEndRecord,
		},
		{
			Group: groupRecord, Use: `analyse(alternator, battery, earth="", pole_pairs=0, ratio=0)`, Says: "Analyses the recorded ground run: a step for each figure that a limit is known for, at the circuit or source named, and a remark for each thing that it cannot tell. Gives .verdict, .steps (how many), .notes.",
			Example: `if record("Ground run").on:
    end_record()
    note(analyse("master", "battery").verdict)`, do: (*Performance).slAnalyse,
		},
		{
			Group: groupReckon, Use: "quantity(value, unit)", Says: "A value as people write it.",
			Example: `note(quantity(0.0125, "Ω"))`, do: pure(slQuantity),
		},
		{
			Group: groupReckon, Use: "yardstick(what)",
			Says:    "A limit that no design changes: .low, .high (None where there is none), .rule, .status. what is \"frame bond\", \"jumper bond\", \"static bond\", \"insulation\", \"compass\", \"compass pull\", \"locator battery\", \"locator inspection\", \"regulation\", \"bus while charging\", \"cranking\" or \"battery capacity\".",
			Example: `note(yardstick("frame bond").rule)`, do: (*Performance).slYardstick,
		},
		{
			Group: groupReckon, Use: "ring_out()", Says: "The looms in the order with the fewest probe moves: .tests (each .red, .black, .joined, .apart, .where), .moves, .list_tests, .list_moves (going down the list).",
			Example: `note("%d probe moves saved" % (ring_out().list_moves - ring_out().moves))`, do: (*Performance).slRingOut,
		},
		{
			Group: groupReckon, Use: "senders()", Says: "The senders of the design, a list: .name, .title, .signal, .ground.",
			Example: `note(", ".join([s.title for s in senders()]))`, do: (*Performance).slSenders,
		},
		{
			Group: groupReckon, Use: "sender_limit(name, celsius, within)", Says: "What a sender measures at a temperature, give or take within: .design, .low, .high (ohms), .rule, .status.",
			Example: `for s in senders():
    note(quantity(sender_limit(s.name, 20, 2).design, "Ω"))`, do: (*Performance).slSenderLimit,
		},
		{
			Group: groupReckon, Use: "antennas()", Says: "The antenna leads of the design, a list: .name, .title, .centre, .shield, .far_centre, .far_shield, .base.",
			Example: `note(", ".join([a.title for a in antennas()]))`, do: (*Performance).slAntennas,
		},
		{
			Group: groupReckon, Use: "always_live()", Says: "The circuits that no switch takes from the battery, a list: .circuit, .title, .rating.",
			Example: `note(", ".join([k.title for k in always_live()]))`, do: (*Performance).slAlwaysLive,
		},
		{
			Group: groupReckon, Use: "starter()", Says: "The feeder that cranks the engine; \"\" for none.",
			Example: `note("It cranks by " + starter())`, do: (*Performance).slStarter,
		},
		{
			Group: groupReckon, Use: "compass_fit(magnetic, compass, u)", Says: "Fits a compass to lists of headings in degrees, each with standard uncertainty u: .a .b .c .d .e, .worst, .worst_at, .u, .remainder, .card (a list of .steer_for, .steer).",
			Example: `f = compass_fit([0, 45, 90, 135, 180, 225, 270, 315], [1, 47, 92, 137, 181, 225, 269, 314], 1)
note("%s° at %s°" % (f.worst, f.worst_at))`, do: pure(slCompassFit),
		},
		{
			Group: groupReckon, Use: "battery_resistance(battery, plus1, bus1, plus2, bus2, calibration)",
			Says: "A battery's inside resistance from a step of load: .value, .u, .design, .high, .rule, .status. The four readings are volts at its plus terminal and at a bus at two loads; calibration is six more with the supply in its place, plus, bus and supply current at one load and at another. None where the meter cannot tell the two loads apart.",
			Example: `def plus(): return measure("battery+", reference, "Red probe on battery plus.")
def bus(): return measure(buses[0].name, reference, "Red probe on the main bus.")
power(volts = supply.volts, limit = supply.limit)
put("essential", "Essential loads on.")
first = [plus(), bus(), read("supply current")]
put("all-on", "All loads on.")
second = [plus(), bus(), read("supply current")]
power_off()
put("off", "All off.")
feed("battery", "Connect the battery.")
put("essential", "Essential loads on.")
low = [plus(), bus()]
put("all-on", "All loads on.")
r = battery_resistance("battery", low[0], low[1], plus(), bus(), first + second)
note(quantity(r.value, "Ω"))`, do: (*Performance).slBatteryResistance,
		},
		{
			Group: groupReckon, Use: "locator_countries()", Says: "The countries whose window for a locator test is known, a list.",
			Example: `note(", ".join(locator_countries()))`, do: pure(slLocatorCountries),
		},
		{
			Group: groupReckon, Use: "locator_window(country, kind)", Says: "None, or .start, .end (minutes past the hour), .self_test, .sweeps, .seconds, .rule, .status.",
			Example: `note(str(locator_window(locator_countries()[0], "406")))`, do: pure(slLocatorWindow),
		},
	}
}

// ListScriptWords writes the list of words for people who write scripts.
func ListScriptWords(w io.Writer) error {
	var b strings.Builder
	b.WriteString(`# What a script can use

Made from the table in checks/procedure/vocabulary.go; every example is run by a test. A script is Starlark, a small
Python: it has these words, functions of its own, loops over the design, and nothing else: no files, no network, no clock.
Answered the same, it must do the same: that is how a stopped worksheet goes on.

` + "`loomproof script check FILE`" + ` finds its mistakes before anything is live.
`)
	group := ""
	for _, word := range ScriptWords() {
		if word.Group != group {
			group = word.Group
			fmt.Fprintf(&b, "\n## %s\n", group)
		}
		fmt.Fprintf(&b, "\n**`%s`** %s\n\n    %s\n", word.Use, word.Says, strings.ReplaceAll(word.Example, "\n", "\n    "))
	}
	_, err := io.WriteString(w, b.String())
	return err
}
