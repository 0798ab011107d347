package demo

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/mockup"
	"loomproof/scripts"
)

const coverageFile = "../../scripts/COVERAGE.md"

// manySeeds is how many sound aircraft each procedure is performed on for the
// committed figures.
const manySeeds = 20

// A matrix is what each procedure makes of each fault, and the false alarms.
type matrix struct {
	outcomes map[string]map[string]string // by fault and procedure
	alarms   map[string]string            // by procedure: of the sound aircraft
}

// The committed table has each procedure and each fault, explains each miss, and a
// sample of it, performed now, comes out as it says. With -coverage it is
// performed and written anew.
func TestCoverageIsWhatTheTableSays(t *testing.T) {
	text, err := os.ReadFile(coverageFile)
	require.NoError(t, err)
	if *coverage != "" {
		m := readMatrix(string(text))
		for _, name := range scripts.Procedures() {
			if *coverage == "all" || slices.Contains(strings.Split(*coverage, ","), name) {
				m.perform(t, name)
				text = []byte(m.text(t))
				require.NoError(t, os.WriteFile(coverageFile, text, 0o644))
			}
		}
	}
	m := readMatrix(string(text))
	m.assertWhole(t)
	assert.Equal(t, m.text(t), string(text), "write it anew: go test ./dashboard/demo -run Coverage -coverage all -timeout 2h")
	for _, cell := range sample() {
		t.Run(cell.procedure+"/"+cell.fault.Name, func(t *testing.T) {
			s := performed(t, cell.procedure, cell.fault, 1)
			assert.Equal(t, m.outcomes[cell.fault.Name][cell.procedure], outcome(s, cell.fault), "%v", alarms(s))
		})
	}
}

type cell struct {
	procedure string
	fault     mockup.Planted
}

// sample is a cell of each procedure.
func sample() []cell {
	var out []cell
	faults := mockup.Everything()
	for i, name := range scripts.Procedures() {
		out = append(out, cell{name, faults[(11*i+6)%len(faults)]})
	}
	return out
}

// perform performs a procedure on many sound aircraft and with every fault.
func (m matrix) perform(t *testing.T, name string) {
	steps, wrong := 0, 0
	for seed := range uint64(manySeeds) {
		s := performed(t, name, mockup.Planted{}, seed+1)
		for _, a := range alarms(s) {
			t.Logf("%s, seed %d: %s", name, seed+1, a)
			wrong++
		}
		steps += len(s.Steps)
	}
	m.alarms[name] = fmt.Sprintf("%d of %d", wrong, steps)
	for _, fault := range mockup.Everything() {
		if m.outcomes[fault.Name] == nil {
			m.outcomes[fault.Name] = map[string]string{}
		}
		t.Run(name+"/"+fault.Name, func(t *testing.T) {
			s := performed(t, name, fault, 1)
			m.outcomes[fault.Name][name] = outcome(s, fault)
			t.Logf("%s %v", outcome(s, fault), alarms(s))
		})
	}
}

// text is the document.
func (m matrix) text(t *testing.T) string {
	names := scripts.Procedures()
	var b strings.Builder
	b.WriteString("# What each procedure finds\n\n")
	b.WriteString("Each procedure was performed on the emulated Marsh Hen with each fault that can be planted (`loomproof demo --list-faults`).\n")
	b.WriteString("*found*: a step failed where the fault is, and none elsewhere. *found, and more*: others failed, too. *elsewhere*: only others.\n")
	b.WriteString("A dash: nothing failed; why stands below. This file is written by a test: `go test ./dashboard/demo -run Coverage -coverage all -timeout 2h`.\n\n")
	fmt.Fprintf(&b, "| fault | %s |\n|---|%s\n", strings.Join(names, " | "), strings.Repeat("---|", len(names)))
	for _, fault := range mockup.Everything() {
		cells := []string{}
		for _, name := range names {
			cells = append(cells, m.outcomes[fault.Name][name])
		}
		fmt.Fprintf(&b, "| %s | %s |\n", fault.Name, strings.Join(cells, " | "))
	}
	fmt.Fprintf(&b, "\n## False alarms\n\nSteps that did not pass on %d sound aircraft, each with its own parts and instrument errors:\n\n", manySeeds)
	for _, name := range names {
		fmt.Fprintf(&b, "- %s: %s\n", name, m.alarms[name])
	}
	b.WriteString("\n## Why a fault is not found\n\nProcedures that look at something else altogether:\n\n")
	for _, name := range names {
		if why := outOfScope[name]; why != "" {
			fmt.Fprintf(&b, "- **%s** %s\n", name, why)
		}
	}
	b.WriteString("\nThe others, fault by fault:\n\n")
	for _, fault := range mockup.Everything() {
		if lines := m.misses(t, fault); len(lines) > 0 {
			fmt.Fprintf(&b, "- **%s** (%s)\n%s", fault.Name, fault, strings.Join(lines, ""))
		}
	}
	return b.String()
}

// misses explains what each procedure misses of a fault, and what it finds in
// more places than one.
func (m matrix) misses(t *testing.T, fault mockup.Planted) []string {
	var lines []string
	reasons := map[string][]string{}
	var order []string
	for _, name := range scripts.Procedures() {
		got := m.outcomes[fault.Name][name]
		why := whyNot(name, fault.Name)
		switch {
		case got == found:
			continue
		case got == missed && outOfScope[name] != "" && !special(name, fault.Name):
			continue
		}
		if !assert.NotEmpty(t, why, "%s with %s is %q: explain it in whyNot", name, fault.Name, got) {
			continue
		}
		if reasons[why] == nil {
			order = append(order, why)
		}
		reasons[why] = append(reasons[why], name)
	}
	for _, why := range order {
		lines = append(lines, fmt.Sprintf("  - %s: %s\n", strings.Join(reasons[why], ", "), why))
	}
	return lines
}

var alarmLine = regexp.MustCompile(`^- ([a-z-]+): (\d+ of \d+)$`)

// readMatrix reads the tables back.
func readMatrix(text string) matrix {
	m := matrix{map[string]map[string]string{}, map[string]string{}}
	var columns []string
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		cells := strings.Split(strings.Trim(line, "|"), "|")
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		switch {
		case !strings.HasPrefix(line, "|"):
			if found := alarmLine.FindStringSubmatch(line); found != nil {
				m.alarms[found[1]] = found[2]
			}
		case columns == nil:
			columns = cells[1:]
		case len(cells) == len(columns)+1 && !strings.HasPrefix(line, "|---"):
			row := map[string]string{}
			for i, name := range columns {
				row[name] = cells[i+1]
			}
			m.outcomes[cells[0]] = row
		}
	}
	return m
}

// assertWhole: each procedure has been performed with each fault.
func (m matrix) assertWhole(t *testing.T) {
	for _, name := range scripts.Procedures() {
		assert.NotEmpty(t, m.alarms[name], "%s is not in %s", name, coverageFile)
		for _, fault := range mockup.Everything() {
			assert.NotEmpty(t, m.outcomes[fault.Name][name], "%s with %s is not in %s", name, fault.Name, coverageFile)
		}
	}
}
