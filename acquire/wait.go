package acquire

import "time"

// A Waiter waits for instants, until the context it was made with ends.
type Waiter interface {
	Until(t time.Time)
	Close()
}

// A timerWaiter waits with the runtime's timers, which on Linux are up to 1 ms late
// while the program is mostly idle (runtime/netpoll_epoll.go waits whole milliseconds).
type timerWaiter struct {
	timer *time.Timer
	done  <-chan struct{}
}

// NewTimerWaiter returns a Waiter of the runtime's timers, whose waits end with done.
func NewTimerWaiter(done <-chan struct{}) Waiter {
	t := timerWaiter{time.NewTimer(time.Hour), done}
	t.timer.Stop()
	return t
}

func (w timerWaiter) Until(t time.Time) {
	w.timer.Reset(time.Until(t))
	select {
	case <-w.timer.C:
	case <-w.done:
	}
}

func (w timerWaiter) Close() { w.timer.Stop() }
