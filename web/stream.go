package web

import (
	"fmt"
	"net/http"
	"time"

	"griptrial/store"
)

const (
	streamWrite = 5 * time.Second  // a viewer that takes longer for one message is gone
	streamPing  = 10 * time.Second // of silence
)

// stream sends the live stream as server-sent events.
func (s *Server) stream(w http.ResponseWriter, r *http.Request) {
	q := queryOf(r, "last")
	last := r.Header.Get("Last-Event-ID")
	if last == "" {
		last = q.text("last")
	}
	var from *store.Cursor
	if last != "" {
		c, err := parseID(last)
		if err != nil {
			q.fail("last", "last: found %.80q; want an id of this stream", last)
		}
		from = &c
	}
	if q.err != nil {
		fail(w, q.err)
		return
	}
	out := &sse{w: w, c: http.NewResponseController(w), final: map[string]int{}}
	if s.live == nil {
		if err := s.ready(r.Context()); err != nil {
			fail(w, err)
			return
		}
		out.begin()
		out.send(message{event: "state", data: encode(s.state())})
		out.send(message{event: "end", data: encode(EndJSON{})})
		return
	}
	v, cursor, err := s.live.join()
	if err != nil {
		fail(w, err)
		return
	}
	defer s.live.leave(v)
	if from != nil && from.Picks <= cursor.Picks && from.Events <= cursor.Events { // else it is from another trial
		cursor = *from
	}
	out.begin()
	out.send(message{event: "state", data: encode(s.live.state())})
	ping := time.NewTicker(streamPing)
	defer ping.Stop()
	v.told()
	for out.err == nil {
		select {
		case m := <-v.queue:
			s.passOn(out, v, m)
		case <-v.notify:
			// What waits was sent before the picks that are stored now became final.
			for n := len(v.queue); n > 0; n-- {
				s.passOn(out, v, <-v.queue)
			}
			cursor = s.catchUp(out, cursor)
		case <-s.live.done:
			for n := len(v.queue); n > 0; n-- {
				s.passOn(out, v, <-v.queue)
			}
			s.catchUp(out, cursor)
			state := s.live.state()
			out.send(message{event: "state", data: encode(state)})
			out.send(message{event: "end", data: encode(EndJSON{Error: state.Failed})})
			return
		case <-ping.C:
			out.write(": still here\n\n")
		case <-r.Context().Done():
			return
		}
	}
}

// passOn sends a message, and before it how many were left out.
func (s *Server) passOn(out *sse, v *viewer, m message) {
	if n := s.live.missedBy(v); n > 0 {
		out.send(message{event: "skipped", data: encode(SkippedJSON{n})})
	}
	out.send(m)
}

// catchUp sends the picks and events behind a cursor and returns the cursor behind them.
func (s *Server) catchUp(out *sse, cursor store.Cursor) store.Cursor {
	for out.err == nil {
		news, err := s.live.since(cursor)
		if err != nil {
			out.err = err
		}
		if len(news) == 0 {
			break
		}
		for _, d := range news {
			cursor.Picks, cursor.Events = max(cursor.Picks, d.upto.Picks), max(cursor.Events, d.upto.Events)
			d.id = formatID(cursor)
			out.send(d.message)
		}
	}
	return cursor
}

// formatID writes how far a viewer has come.
func formatID(c store.Cursor) string { return fmt.Sprintf("%d-%d-%d", c.Picks, c.Events, c.Runs) }

func parseID(text string) (c store.Cursor, err error) {
	n, err := fmt.Sscanf(text, "%d-%d-%d", &c.Picks, &c.Events, &c.Runs)
	if err == nil && (n != 3 || formatID(c) != text || c.Picks < 0 || c.Events < 0 || c.Runs < 0) {
		err = fmt.Errorf("no id")
	}
	return c, err
}

// sse writes server-sent events, each within a time.
type sse struct {
	w     http.ResponseWriter
	c     *http.ResponseController
	err   error
	final map[string]int // of a station the last pick that was told as final
}

func (o *sse) begin() {
	o.c.SetReadDeadline(time.Time{}) // nothing more is read; the deadline would end the stream
	h := o.w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("X-Accel-Buffering", "no")
	o.write("retry: 1000\n\n")
}

// send writes a message, but for what is known better already: a pick becomes final in the file
// before all that is told of it until then has left the queue.
func (o *sse) send(m message) {
	switch m.event {
	case "pick":
		o.final[m.station] = max(o.final[m.station], m.n)
	case "provisional":
		if m.n <= o.final[m.station] {
			return
		}
	}
	text := "event: " + m.event + "\n"
	if m.id != "" {
		text += "id: " + m.id + "\n"
	}
	o.write(text + "data: " + string(m.data) + "\n\n")
}

func (o *sse) write(text string) {
	if o.err != nil {
		return
	}
	if o.err = o.c.SetWriteDeadline(time.Now().Add(streamWrite)); o.err != nil {
		return
	}
	if _, o.err = o.w.Write([]byte(text)); o.err == nil {
		o.err = o.c.Flush()
	}
}
