package main

import (
	"bytes"
	"fmt"
	"os"
	"time"
)

// watchPeak follows how much memory a process held at most, until it ends; the function that it
// returns then tells, in MB. What the system accounts to an ended process counts in its parent
// as it was when it started the process.
func watchPeak(pid int) func() float64 {
	peak := make(chan float64)
	go func() {
		kB := 0.0
		for {
			text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
			var now float64
			for line := range bytes.Lines(text) {
				fmt.Sscanf(string(line), "VmHWM: %g kB", &now)
			}
			if err != nil || now == 0 { // ended: a process that has gives its memory back first
				peak <- kB / 1024
				return
			}
			kB = now
			time.Sleep(5 * time.Millisecond)
		}
	}()
	return func() float64 { return <-peak }
}
