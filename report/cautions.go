package report

import (
	"fmt"
	"io"
)

// Cautions stand with every result about loads.
var Cautions = []string{
	"Suspended loads can fall; compressed air, hot blowers and noise injure; a gripping trial is no risk assessment.",
	"Stay out of the robot's reach, follow the machine's safeguarding and the local codes, and have a competent person judge the safety factor.",
	"Nothing here is a safety function: never wire a signal of this program into one.",
}

func cautions(w io.Writer) error {
	fmt.Fprintln(w, "\nCautions")
	for _, c := range Cautions {
		fmt.Fprintf(w, "  %s\n", c)
	}
	return nil
}
