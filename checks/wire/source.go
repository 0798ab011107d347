package wire

// A Status says how far a figure can be relied on.
type Status string

// How a figure came into this program.
const (
	// Verified: read in a text of the named document.
	Verified Status = "verified"
	// Secondary: read in a text that quotes or transcribes the document.
	Secondary Status = "secondary"
	// Derived: computed here from stated figures.
	Derived Status = "derived"
	// Memory: not read; not an authority until someone reads it in the source.
	Memory Status = "memory"
	// CommonPractice: no published source.
	CommonPractice Status = "common practice"
	// OfDesign: it follows from the design file.
	OfDesign Status = "design"
)

// A Citation names where a limit or a figure comes from.
type Citation struct {
	Text   string `json:"text"`
	Status Status `json:"status"`
}

// String is the citation as reports print it: with its status, unless the
// figure was read in the document itself or is the design's own.
func (c Citation) String() string {
	if c.Text == "" || c.Status == Verified || c.Status == OfDesign {
		return c.Text
	}
	return c.Text + " (" + string(c.Status) + ")"
}

// The documents that the tables of this package come from.
var (
	tableProtector = Citation{"AC 43.13-1B table 11-3", Verified}
	tableWire      = Citation{"AC 43.13-1B CHG 1 table 11-9", Verified}
	tableDrop      = Citation{"AC 43.13-1B CHG 1 table 11-6, continuous", Secondary}
	tableDropShort = Citation{"AC 43.13-1B CHG 1 table 11-6, intermittent", Memory}
	ruleRise       = Citation{"AC 43.13-1B p. 11-23: conductor temperature, by the root of the current", Memory}
	sheetWire      = Citation{"AS22759/16 data sheet", Secondary}
	sheetBreaker   = Citation{"E-T-A 483 data sheet, typical drop at rated current", Verified}
)

// Rules that are words, not tables.
var (
	// ThinnestWire: a protector opens before the wire's rating is exceeded.
	ThinnestWire = Citation{"AC 43.13-1B 11-48: protector against wire", Verified}
	// OwnProtector: what is essential for flight has a protector of its own.
	OwnProtector = Citation{"14 CFR 27.1357: an essential circuit's protector serves nothing else", Verified}
	// Protected: every circuit has a protector, but for the starter's mains.
	Protected = Citation{"14 CFR 27.1357: protection in all circuits but starter mains", Verified}
	// EssentialFed: every essential load has power at its proper voltage.
	EssentialFed = Citation{"14 CFR 27.1351: power at proper voltage for each essential load", Verified}
	// EnduranceRule is where the usual 30 minutes come from.
	EnduranceRule = Citation{"14 CFR 23.1353: 30 minutes", Memory}
	// StudRule: no more than four terminals on one stud.
	StudRule = Citation{"AC 43.13-1B: no more than four terminals on a stud", Memory}
	// QuietReturn: sound and pulsed loads each have a return of their own.
	QuietReturn = Citation{"audio away from motors and strobes at the ground point", CommonPractice}
	// LineLimit: no line gives a load more than a quarter of V²/R.
	LineLimit = Citation{"largest power through a resistance: V²/(4R)", Derived}
	// Practice is usual, with nothing published behind it.
	Practice = Citation{"usual in the trade", CommonPractice}
	// AsRated: a maker's rating, as the design states it.
	AsRated = Citation{"rating that the design states", OfDesign}
)
