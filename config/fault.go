package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// A Fault is one thing wrong in a file.
type Fault struct {
	File         string
	Line, Column int    // from 1; columns count characters
	Field        string // path such as "buses[0].devices[1].channels[2].scale", "" for the file as a whole
	Text         string // what was found, and what is allowed
}

// Error returns the fault as one line: file:line:column: field: text.
func (f Fault) Error() string {
	if f.Field == "" {
		return fmt.Sprintf("%s:%d:%d: %s", f.File, f.Line, f.Column, f.Text)
	}
	return fmt.Sprintf("%s:%d:%d: %s: %s", f.File, f.Line, f.Column, f.Field, f.Text)
}

// Faults is everything wrong in a file, in file order: the error that ParseRig and
// ParseTrial return.
type Faults []Fault

// Error returns one line for each fault.
func (f Faults) Error() string {
	lines := make([]string, len(f))
	for i := range f {
		lines[i] = f[i].Error()
	}
	return strings.Join(lines, "\n")
}

// asError returns the faults in file order, nil where there are none.
func (f Faults) asError() error {
	if len(f) == 0 {
		return nil
	}
	slices.SortStableFunc(f, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	return f
}
