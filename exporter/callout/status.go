package callout

import (
	"cmp"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/collector/sorting"
)

// Count counts messages by channel and outcome.
type Count struct {
	Channel string
	Outcome string // handed over, delivered, failed for now, perhaps sent, refused for good, given up
}

// Counted is a count with its number.
type Counted struct {
	Count
	N uint64
}

// Readier is a channel that knows without sending whether it could: nil, or why not. Channels need not be one.
type Readier interface{ Ready() error }

// SenderStatus is a snapshot of the sender, for metrics, the panel and the box's own alarms.
type SenderStatus struct {
	Waiting     int
	Oldest      time.Duration // age of the oldest message that nobody took yet; 0: none
	Counts      []Counted     // by channel and outcome, since the start
	Channels    []ChannelStatus
	Unreachable []string // ids of contacts whose every address fails
	// Reachable reports whether anybody can be called: true too where nobody is to be, and before anything failed.
	Reachable bool
	Reason    string // why nobody can be
}

// ChannelStatus is a snapshot of one channel.
type ChannelStatus struct {
	Name, Kind string
	Waiting    int
	Failing    bool
	Error      string           // why it fails
	Since      collector.Moment // when it last changed between working and failing; 0 never
	Rest       collector.Moment // it is not tried before then; 0 it is
}

// Status returns how the sender is doing. It may be called from any goroutine and does not wait for a channel.
func (s *Sender) Status() SenderStatus {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.o.Clock.Now()
	var st SenderStatus
	oldest := now
	for name, c := range s.channels {
		l := s.line(name)
		ch := ChannelStatus{Name: name, Kind: c.Kind(), Waiting: len(l.queue), Failing: l.failures >= restAfter, Error: l.err, Since: l.since, Rest: l.rest}
		if r, ok := c.(Readier); ok {
			if err := r.Ready(); err != nil {
				ch.Failing, ch.Error = true, err.Error()
			}
		}
		st.Channels = append(st.Channels, ch)
	}
	for _, l := range s.lines {
		for _, d := range l.queue {
			oldest = min(oldest, d.Made)
		}
		st.Waiting += len(l.queue)
		for _, d := range l.busy {
			oldest = min(oldest, d.Made)
			st.Waiting++
		}
	}
	st.Oldest = now.Sub(oldest)
	sorting.Func(st.Channels, func(a, b ChannelStatus) int { return cmp.Compare(a.Name, b.Name) })
	for c, n := range s.counts {
		st.Counts = append(st.Counts, Counted{c, n})
	}
	sorting.Func(st.Counts, func(a, b Counted) int {
		return cmp.Or(cmp.Compare(a.Channel, b.Channel), cmp.Compare(a.Outcome, b.Outcome))
	})
	s.reach(&st)
	return st
}

// reach works out who cannot be called. With the lock held.
func (s *Sender) reach(st *SenderStatus) {
	fails := map[string]string{}
	for _, c := range st.Channels {
		if c.Failing {
			fails[c.Name] = c.Name + ": " + c.Error
		}
	}
	for i := range s.contacts {
		c := &s.contacts[i]
		well := slices.ContainsFunc(c.Addresses, func(a Address) bool {
			return s.channels[a.Channel] != nil && fails[a.Channel] == "" && s.gone[a] == ""
		})
		if !well {
			st.Unreachable = append(st.Unreachable, c.ID)
		}
	}
	st.Reachable = len(st.Unreachable) < len(s.contacts) || len(s.contacts) == 0
	if !st.Reachable {
		st.Reason = "no contact can be reached"
		for _, c := range st.Channels {
			if why := fails[c.Name]; why != "" {
				st.Reason += "; " + why
			}
		}
	}
}
