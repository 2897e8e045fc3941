//go:build !linux

package acquire

import "context"

// suspended returns 0: on Windows Go's monotonic clock goes on while the computer is suspended
// (KUSER_SHARED_DATA.InterruptTime; from memory). On others it may stop, and the wall clock jumps.
func suspended() int64 { return 0 }

// OwnThread does nothing here: it is Linux that draws out a thread's waits.
func OwnThread() (release func()) { return func() {} }

// NewWaiter returns a Waiter whose waits end with ctx.
func NewWaiter(ctx context.Context) Waiter { return NewTimerWaiter(ctx.Done()) }
