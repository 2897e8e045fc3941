//go:build !linux

package acquire

import "context"

// OwnThread does nothing here: it is Linux that draws out a thread's waits.
func OwnThread() (release func()) { return func() {} }

// NewWaiter returns a Waiter whose waits end with ctx.
func NewWaiter(ctx context.Context) Waiter { return NewTimerWaiter(ctx.Done()) }
