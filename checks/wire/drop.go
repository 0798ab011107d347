package wire

// AllowedDrop is the largest drop in volts between the bus and the ground of
// the equipment, for a system of a nominal voltage (14, 28, 115 or 200 V) and
// for continuous or intermittent work: AC 43.13-1B CHG 1 table 11-6. The
// circular's page was not at hand: the continuous figures are secondary, the
// intermittent ones from memory. 0 for a voltage that is not listed.
func AllowedDrop(nominal float64, intermittent bool) (float64, Citation) {
	drop := map[float64]float64{14: 0.5, 28: 1, 115: 4, 200: 7}[nominal]
	if intermittent {
		return 2 * drop, tableDropShort
	}
	return drop, tableDrop
}

// FeederDrop is the largest drop in volts between a source and the bus, with
// the generator at rated current: 2 % of the regulated voltage.
func FeederDrop(regulated float64) (float64, Citation) {
	return 0.02 * regulated, Citation{"FAA handbook text on voltage drop: feeder 2 % of regulated voltage", Verified}
}

// ReturnResistance is the resistance in ohms from the source's ground point to
// the ground terminal of any device that counts as satisfactory.
func ReturnResistance() (float64, Citation) {
	return 0.005, Citation{"FAA handbook text on voltage drop: airframe return 0.005 Ω", Verified}
}

// SteadyShare is the part of a breaker's rating that a steady load is held
// to: a service manual's rule of thumb for estimating loads.
func SteadyShare() (float64, Citation) {
	return 0.8, Citation{"kit-class service manual: steady load 80 % of breaker rating", Verified}
}

// BreakerRule is the rule that a load must not exceed its protector's rating.
var BreakerRule = Citation{"AC 43.13-1B 11-48: protector rating", Verified}
