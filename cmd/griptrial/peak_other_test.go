//go:build !linux

package main

import (
	"math"
	"os"
)

// peakMB is not known here.
func peakMB(*os.ProcessState) float64 { return math.NaN() }
