package acquire

import (
	"context"
	"os"
	"runtime"
	"time"

	"golang.org/x/sys/unix"
)

// suspended returns for how many nanoseconds the computer was suspended since it was started,
// or less: never more. Linux stops the monotonic clock meanwhile (clock_gettime(2)).
func suspended() int64 {
	var boot, monotonic unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &boot) != nil || unix.ClockGettime(unix.CLOCK_MONOTONIC, &monotonic) != nil {
		return 0
	}
	return boot.Nano() - monotonic.Nano()
}

// OwnThread gives the calling goroutine a thread of its own whose waits are not drawn out,
// until release is called. The kernel lets a thread's waits for a serial port, and so the
// silences between frames, be 50 µs late (prctl(2), PR_SET_TIMERSLACK).
func OwnThread() (release func()) {
	runtime.LockOSThread()
	unix.Prctl(unix.PR_SET_TIMERSLACK, 1, 0, 0, 0) // ns
	return func() {
		unix.Prctl(unix.PR_SET_TIMERSLACK, 0, 0, 0, 0) // the thread's default
		runtime.UnlockOSThread()
	}
}

// A timerfd waits on a kernel timer read as a file: the runtime's poller wakes at once
// when it fires, not at the next whole millisecond as for its own timers.
type timerfd struct {
	file  *os.File
	fd    int
	watch func() bool
}

// NewWaiter returns a Waiter whose waits end with ctx.
func NewWaiter(ctx context.Context) Waiter {
	fd, err := unix.TimerfdCreate(unix.CLOCK_MONOTONIC, unix.TFD_NONBLOCK|unix.TFD_CLOEXEC)
	if err != nil {
		return NewTimerWaiter(ctx.Done()) // out of descriptors: later, but still right
	}
	f := os.NewFile(uintptr(fd), "timerfd")
	return &timerfd{f, fd, context.AfterFunc(ctx, func() { f.SetReadDeadline(time.Unix(1, 0)) })}
}

func (w *timerfd) Until(t time.Time) {
	d := time.Until(t)
	if d <= 0 {
		return // a setting of 0 would stop the timer
	}
	spec := unix.ItimerSpec{Value: unix.NsecToTimespec(int64(d))}
	var expirations [8]byte
	if unix.TimerfdSettime(w.fd, 0, &spec, nil) != nil {
		time.Sleep(d)
		return
	}
	w.file.Read(expirations[:]) // an error means that the context has ended
}

func (w *timerfd) Close() {
	w.watch()
	w.file.Close()
}
