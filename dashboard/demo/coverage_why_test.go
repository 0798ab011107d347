package demo

import "strings"

// outOfScope are the procedures that look at something of their own, and what.
// What they miss is explained by that.
var outOfScope = map[string]string{
	"audio":      "listens for noise, and looks at no voltage.",
	"avionics":   "looks at the units of the avionics bus and the way to them only.",
	"ground-run": "looks at the charging system, at the main bus only; faults of one circuit are not its matter.",
	"compass":    "looks at the compass only.",
	"locator":    "looks at the locator only.",
}

// whyNot explains, in a line, why a procedure does not find a fault, or fails
// steps elsewhere, too. "" where nothing is to be explained beyond outOfScope.
func whyNot(procedure, fault string) string {
	for _, r := range reasons[fault] {
		if strings.Contains(" "+r.procedures+" ", " "+procedure+" ") || r.procedures == "" {
			return r.why
		}
	}
	return ""
}

// special tells whether a procedure that looks at something of its own has a
// reason of its own all the same.
func special(procedure, fault string) bool {
	for _, r := range reasons[fault] {
		if strings.Contains(" "+r.procedures+" ", " "+procedure+" ") {
			return true
		}
	}
	return false
}

// A reason holds for some procedures; "" is all that have none of their own.
type reason struct{ procedures, why string }

// only is the reason for what one procedure alone looks at.
func only(by string) []reason {
	return []reason{{"", by + "; no other procedure looks at that."}}
}

const (
	milliohms = "milliohms hide in what probe tips and contacts leave open to an ohmmeter (0.2 Ω); they show by their drop under current."
	leaks     = "the leak takes a milliamp at most, far below what the supply's reading tells."
	hangsOn   = "the bus that it hangs on shows it, too, as it must; the way is named first."
	stands    = "the alternator stands still."
	onSupply  = "a bench supply stands in for the battery."
	allOn     = "with everything on, both sides have their power anyway."
	off       = "everything is off or off its plug."
	markings  = "markings are read at the first power-on only."
	behind    = "what it feeds is low, too; the feeder is among them."
)

var reasons = map[string][]reason{
	"high-resistance-joint": {{"before-power", milliohms}},
	"wrong-gauge":           {{"before-power", milliohms}},
	"weak-feed":             {{"before-power", milliohms}, {"first-power-on loaded annual-check", behind}},
	"poor-alternator-lead":  {{"before-power", milliohms}, {"", stands}},
	"bad-ground":            {},
	"oversized-breaker":     {{"", markings}},
	"swapped-circuits":      {{"loaded annual-check", allOn + " Each is fed through the other's breaker."}},
	"short-to-airframe":     {{"before-power", hangsOn}, {"ground-run", "the emulated breaker does not trip, and the bus sags; a real one trips."}},
	"short-of-avionics-bus": {{"ground-run", "the emulated breaker does not trip, and the bus sags; a real one trips."}},
	"parasitic-load":        {{"loaded annual-check", "0.4 A lie inside what 30 A of sound loads may differ by; the first power-on reads the bus with nothing else on."}},
	"joined-wires":          {{"loaded annual-check", allOn}},
	"buses-joined":          {{"loaded annual-check", allOn}},
	"live-with-master-off":  {{"loaded annual-check", allOn}},
	"leak-to-airframe":      {{"", leaks}},
	"poor-insulation":       {{"", leaks}},
	"loose-ground":          {{"", "at 7 A its 8 mΩ lose 50 mV, inside what sound returns may lose; the milliohm meter tells."}},
	"dead-switch":           {{"first-power-on loaded annual-check", "the total is short of its current, too."}},
	"stuck-switch":          {{"", "with the circuit to be on it makes no difference; the ohmmeter tells before power."}},
	"hungry-light":          {{"before-power", off}},
	"weak-battery":          {{"before-power", off}, {"", onSupply}},
	"tired-battery":         only("the annual check asks for the tested capacity"),
	"regulator-low":         {{"", stands}},
	"regulator-high":        {{"", stands}},
	"open-sender":           only("before-power reads the senders"),
	"wrong-sender":          only("before-power reads the senders"),
	"coax-centre-open":      only("before-power rings out the antenna leads"),
	"coax-shield-open":      only("before-power rings out the antenna leads"),
	"coax-shorted":          only("before-power rings out the antenna leads"),
	"antenna-base-loose":    {{"", "before-power and the annual check measure the bond; the base carries no current."}},

	"wire-at-full-travel":      only("before-power looks at the stick's wires"),
	"reversed-battery-leads":   only("before-power looks at the battery leads"),
	"compass-pull":             only("the compass procedure switches the loads and reads the compass"),
	"strobe-noise":             only("audio listens"),
	"locator-battery-past":     only("locator reads the dates"),
	"locator-guard-missing":    only("locator looks at the guard"),
	"clock-wrong":              {{"locator", "it makes no verdict: the self-test is refused and stands as not done."}, {"", "only the locator's window needs the clock."}},
	"encoder-wire-crossed":     only("avionics compares encoder and altimeter"),
	"transponder-test-overdue": only("avionics asks for the dates of the licensed tests"),
	"chafed-loom":              only("the annual check looks through the airframe"),
}
