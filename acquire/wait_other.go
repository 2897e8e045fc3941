//go:build !linux

package acquire

import "context"

// NewWaiter returns a Waiter whose waits end with ctx.
func NewWaiter(ctx context.Context) Waiter { return NewTimerWaiter(ctx.Done()) }
