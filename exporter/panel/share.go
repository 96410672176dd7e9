package panel

import (
	"encoding/json"
	"fmt"
	"sync"

	"roundsman/exporter"
)

// mostShared steps between two views are kept written out: open pages are at most some views apart.
const mostShared = 8

// shared keeps the events written last, so that many open pages cost the writing of one.
type shared struct {
	mu   sync.Mutex // guards what follows
	list [mostShared]*sharedEvent
	next int
}

// sharedEvent is the event between two views.
type sharedEvent struct {
	old, v *exporter.View
	once   sync.Once
	text   string // "" when nothing changed
	err    error
}

// of returns the entry for a step between two views; old is nil for everything.
func (s *shared) of(old, v *exporter.View) *sharedEvent {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, e := range s.list {
		if e != nil && e.old == old && e.v == v {
			return e
		}
	}
	e := &sharedEvent{old: old, v: v}
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
