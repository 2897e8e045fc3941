package modbus

import "time"

// A waiter waits for instants, until the context it was made with ends.
type waiter interface {
	until(t time.Time)
	close()
}

// A timerWaiter waits with the runtime's timers, which on Linux are up to 1 ms late
// while the program is mostly idle (runtime/netpoll_epoll.go waits whole milliseconds).
type timerWaiter struct {
	timer *time.Timer
	done  <-chan struct{}
}

func newTimerWaiter(done <-chan struct{}) waiter {
	t := timerWaiter{time.NewTimer(time.Hour), done}
	t.timer.Stop()
	return t
}

func (w timerWaiter) until(t time.Time) {
	w.timer.Reset(time.Until(t))
	select {
	case <-w.timer.C:
	case <-w.done:
	}
}

func (w timerWaiter) close() { w.timer.Stop() }
