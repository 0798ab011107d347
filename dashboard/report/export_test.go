package report

import "loomproof/checks/procedure"

// WithRecordings gives the worksheet's recordings to a report, as a procedure
// that records would.
func (r *Report) WithRecordings(list ...procedure.Recorded) { r.sheet.Recordings = list }
