package panel

import (
	"encoding/json"
	"fmt"
	"sync"
	"weak"

	"roundsman/exporter"
)

// mostShared steps between two views are kept written out: open pages are at most some views apart.
const mostShared = 8

// shared keeps the events written last, so that many open pages cost the writing of one. An event goes as the view it leads
// to is no longer the latest or the one before: kept for ever, it is a megabyte at a large site that nobody looks at.
type shared struct {
	mu   sync.Mutex // guards what follows
	list [mostShared]*sharedEvent
	next int
	was  weak.Pointer[exporter.View] // the view before the latest
	is   weak.Pointer[exporter.View] // the latest
}

// sharedEvent is the event between two views, which it does not keep alive.
type sharedEvent struct {
	old, v weak.Pointer[exporter.View]
	once   sync.Once
	text   string // "" when nothing changed
	err    error
}

// turn tells that v is the latest view, and lets go of the events that no page will ask for again.
func (s *shared) turn(v *exporter.View) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if now := weak.Make(v); now != s.is {
		s.was, s.is = s.is, now
	}
	for i, e := range s.list {
		if e != nil && e.v != s.is && e.v != s.was {
			s.list[i] = nil
		}
	}
}

// of returns the entry for a step between two views; old is nil for everything.
func (s *shared) of(old, v *exporter.View) *sharedEvent {
	from, to := weak.Make(old), weak.Make(v)
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, e := range s.list {
		if e != nil && e.old == from && e.v == to {
			return e
		}
	}
	e := &sharedEvent{old: from, v: to}
	s.list[s.next] = e
	s.next = (s.next + 1) % mostShared
	return e
}

// changeEvent returns the event of what differs between two views, "" for nothing. Views do not change, so it is written once.
func (p *Panel) changeEvent(old, v *exporter.View) (string, error) {
	e := p.shared.of(old, v)
	e.once.Do(func() {
		change, any := p.change(old, v)
		if !any {
			return
		}
		change.Calls = p.uncalled()
		data, err := json.Marshal(change)
		if err != nil {
			e.err = fmt.Errorf("stream: %w", err)
			return
		}
		e.text = event("change", data)
	})
	return e.text, e.err
}
