package panel

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"net/http"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/rules"
)

// changeJSON is the data of one 'change' event: only what changed since the last.
type changeJSON struct {
	Time   string       `json:"time"`
	Round  uint64       `json:"round"`
	Points []pointJSON  `json:"points"`
	Alarms []alarmJSON  `json:"alarms"`
	Links  []linkStatus `json:"links"`
	Calls  string       `json:"calls,omitempty"` // that people cannot be called, in words
	Mark   string       `json:"mark,omitempty"`  // of the view, in the first event: a page with the same shows all but plain numbers already
}

// writeLimit is how long a client may take to take one event.
const writeLimit = 10 * time.Second

// stream sends server-sent events (WHATWG HTML, section 9.2): first everything,
// then what changed. A client that reads slowly misses views, never the newest.
// Event 'change' carries changeJSON; 'alive' comes in a silence and carries the
// age of the newest view in seconds; 'reload' says that the site itself changed.
func (p *Panel) stream(w http.ResponseWriter, r *http.Request) error {
	select {
	case p.streams <- struct{}{}:
		defer func() { <-p.streams }()
	default:
		w.Header().Set("Retry-After", "10")
		w.Header().Set("Connection", "close") // a crowd must not keep its places either
		return problemf(http.StatusServiceUnavailable, "%d streams are open, no more are allowed", cap(p.streams))
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("X-Accel-Buffering", "no") // a proxy must not hold events back
	if r.Method == http.MethodHead {
		return nil
	}
	s := &session{p: p, w: w, rc: http.NewResponseController(w), site: p.board.View().Site}
	return s.run(r)
}

// session is one open stream. Its handler's goroutine owns it.
type session struct {
	p    *Panel
	w    http.ResponseWriter
	rc   *http.ResponseController
	site *exporter.Site
	last *exporter.View // sent last; nil before the first
}

// run sends until the client goes, the server stops or the site changes.
func (s *session) run(r *http.Request) error {
	if err := s.send("retry: 2000\n\n"); err != nil {
		return nil // gone already
	}
	beat := time.NewTimer(s.p.opts.Heartbeat)
	defer beat.Stop()
	for {
		changed := s.p.board.Changed() // before View, so that nothing is missed
		more, err := s.step(s.p.board.View(), beat)
		if err != nil || !more {
			return err
		}
		if !pause(r, s.p.opts.Throttle) {
			return nil
		}
		if err := s.wait(r, changed, beat); err != nil {
			return nil // the client or the server is going: nobody is left to tell
		}
	}
}

// step sends what the view changed. more is false when the stream is over.
func (s *session) step(v *exporter.View, beat *time.Timer) (more bool, err error) {
	if v.Site != s.site {
		return false, s.send("event: reload\ndata: {}\n\n")
	}
	text, err := s.p.changeEvent(s.last, v)
	s.last = v
	if err != nil || text == "" {
		return err == nil, err
	}
	beat.Reset(s.p.opts.Heartbeat)
	if err := s.send(text); err != nil {
		return false, nil // the client is gone
	}
	return true, nil
}

// wait returns when the next view is there, sending signs of life meanwhile.
func (s *session) wait(r *http.Request, changed <-chan struct{}, beat *time.Timer) error {
	for {
		select {
		case <-changed:
			return nil
		case <-r.Context().Done():
			return r.Context().Err()
		case <-beat.C:
			v, now := s.p.now()
			if err := s.send(event("alive", fmt.Appendf(nil, `{"time":%q,"age":%.1f}`, *s.p.stamp(v.At), now.Sub(v.At).Seconds()))); err != nil {
				return err
			}
			beat.Reset(s.p.opts.Heartbeat)
		}
	}
}

// pause waits so long, unless the request ends before; it reports whether it did not.
func pause(r *http.Request, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-r.Context().Done():
		return false
	}
}

func event(name string, data []byte) string {
	return "event: " + name + "\ndata: " + string(bytes.TrimSpace(data)) + "\n\n"
}

func (s *session) send(text string) error {
	if err := s.rc.SetWriteDeadline(time.Now().Add(writeLimit)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	if _, err := s.w.Write([]byte(text)); err != nil {
		return err
	}
	return s.rc.Flush()
}

// change returns what differs between two views of one site, all of it when there
// was none before, and whether that is anything.
func (p *Panel) change(old, v *exporter.View) (changeJSON, bool) {
	c := changeJSON{Time: *p.stamp(v.At), Round: v.Round, Points: []pointJSON{}, Alarms: []alarmJSON{}, Links: []linkStatus{}}
	for i := range v.Site.Points {
		if old == nil || readingChanged(reading(old, i), reading(v, i)) {
			c.Points = append(c.Points, p.pointJSON(v, i))
		}
	}
	for i := range v.Alarms {
		if known(v, v.Alarms[i]) && (old == nil || i >= len(old.Alarms) || alarmChanged(&old.Alarms[i], &v.Alarms[i])) {
			c.Alarms = append(c.Alarms, p.alarmJSON(v, v.Alarms[i]))
		}
	}
	for i := range v.Links {
		if old == nil || i >= len(old.Links) || linkChanged(&old.Links[i], &v.Links[i]) {
			c.Links = append(c.Links, p.linkJSON(&v.Links[i]))
		}
	}
	if old == nil {
		c.Mark = markOf(v)
	}
	return c, old == nil || len(c.Points)+len(c.Alarms)+len(c.Links) > 0
}

// readingChanged compares all but the time: the same again is no change.
func readingChanged(a, b collector.Reading) bool {
	if math.Float64bits(a.Value) != math.Float64bits(b.Value) {
		return true
	}
	a.At, a.Raw, a.Value = b.At, b.Raw, b.Value // the value: NaN differs from itself
	return a != b
}

// alarmChanged compares what the interface tells. The value of a normal alarm
// moves with every reading and is the point's business.
func alarmChanged(a, b *rules.Status) bool {
	if a.State != b.State || a.Active != b.Active || a.Started != b.Started || a.ReadingLost != b.ReadingLost ||
		a.AcknowledgedBy != b.AcknowledgedBy || a.Until != b.Until {
		return true
	}
	return b.State != rules.Normal && math.Float64bits(a.Value) != math.Float64bits(b.Value)
}

func linkChanged(a, b *collector.LinkStatus) bool {
	if a.Up != b.Up || a.Name != b.Name || len(a.Units) != len(b.Units) {
		return true
	}
	for i := range a.Units {
		if a.Units[i].Good != b.Units[i].Good || a.Units[i].Reason != b.Units[i].Reason {
			return true
		}
	}
	return false
}
