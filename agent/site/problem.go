package site

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Problem is one mistake in somebody's input, as data, so that all of them can be shown at
// once. Line and Col start at 1; 0 means not known.
type Problem struct {
	Path      string // where in the input, for example courts[0].bays[2].area
	Line, Col int
	What      string // what is wrong
	Fix       string // what would be right
}

func (p Problem) String() string {
	var b strings.Builder
	if p.Line > 0 {
		fmt.Fprintf(&b, "%d:%d: ", p.Line, p.Col)
	}
	if p.Path != "" {
		b.WriteString(p.Path + ": ")
	}
	b.WriteString(p.What)
	if p.Fix != "" {
		b.WriteString("; " + p.Fix)
	}
	return b.String()
}

// Problems is a collection of mistakes, and an error when it is not empty.
type Problems []Problem

// Add appends a problem that has no position yet.
func (p *Problems) Add(path, fix, format string, args ...any) {
	*p = append(*p, Problem{Path: path, What: fmt.Sprintf(format, args...), Fix: fix})
}

// Err returns nil when there are none.
func (p Problems) Err() error {
	if len(p) == 0 {
		return nil
	}
	return p
}

func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i, q := range p {
		lines[i] = q.String()
	}
	return strings.Join(lines, "\n")
}

// Sort puts the problems in the order of the file.
func (p Problems) Sort() {
	slices.SortStableFunc(p, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Col, b.Col))
	})
}
