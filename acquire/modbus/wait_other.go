//go:build !linux

package modbus

import "context"

func newWaiter(ctx context.Context) waiter { return newTimerWaiter(ctx.Done()) }
