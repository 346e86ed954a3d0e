package config

import (
	"fmt"
	"strings"
)

// Fault is one thing that is wrong with a configuration, or with Warning set, one that is doubtful: a file with
// warnings only is used.
type Fault struct {
	File    string `json:"file"`
	Line    int    `json:"line"`              // from 1
	Where   string `json:"where,omitempty"`   // chamber, plug, key
	What    string `json:"what"`              // what is wrong
	Value   string `json:"value,omitempty"`   // what stands there, as in the file; never a secret
	Allowed string `json:"allowed,omitempty"` // what may stand there, or what to do
	Nearest string `json:"nearest,omitempty"` // the right word that looks most like it
	Warning bool   `json:"warning,omitempty"`

	absence bool // something is missing; not said where a statement couldn't be read
}

func (f Fault) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s:%d: ", f.File, f.Line)
	if f.Warning {
		b.WriteString("warning: ")
	}
	if f.Where != "" {
		b.WriteString(f.Where + ": ")
	}
	b.WriteString(f.What)
	if f.Value != "" {
		b.WriteString(" (" + f.Value + ")")
	}
	if f.Allowed != "" {
		b.WriteString("; " + f.Allowed)
	}
	if f.Nearest != "" {
		fmt.Fprintf(&b, "; did you mean %q", f.Nearest)
	}
	return b.String()
}

// Faults is every fault and warning of a file in the order of its lines. As an error it has at least one fault.
type Faults []Fault

func (fs Faults) Error() string {
	lines := make([]string, len(fs))
	for i, f := range fs {
		lines[i] = f.Error()
	}
	return strings.Join(lines, "\n")
}

// Count gives how many are faults, and how many only warnings.
func (fs Faults) Count() (faults, warnings int) {
	for _, f := range fs {
		if f.Warning {
			warnings++
		} else {
			faults++
		}
	}
	return faults, warnings
}
