package faultfind

// relevant leaves out readings that say nothing, in very large worksheets.
func relevant(c *Case, rates Rates) (*Case, int) { return c, 0 }
