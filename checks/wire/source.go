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
	sheetWire      = Citation{"AS22759/16 data sheet", Secondary}
	sheetBreaker   = Citation{"E-T-A 483 data sheet, typical drop at rated current", Verified}
)
