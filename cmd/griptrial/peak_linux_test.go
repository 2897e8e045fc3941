package main

import (
	"os"
	"syscall"
)

// peakMB returns the most memory that an ended process held, in MB.
func peakMB(p *os.ProcessState) float64 { return float64(p.SysUsage().(*syscall.Rusage).Maxrss) / 1024 }
