package record

import (
	"roundsman/collector"
)

// Status is how the record is doing, for self-watch.
type Status struct {
	Err     error            // why it cannot be written; nil: it can
	Failing collector.Moment // since when
	Waiting int              // lines in memory
	Lost    uint64           // lines that found no room there, of this failure
	Seq     uint64           // of the latest line written

	Free      uint64 // bytes left for the record on its disk
	Size      uint64 // bytes of that disk
	FreeKnown bool
	Reserve   bool // the reserve file is there
}

// OK reports whether the record was written when it was last tried.
func (s *Status) OK() bool { return s.Err == nil }

// Reason returns why it cannot be written, "" if it can.
func (s *Status) Reason() string {
	if s.Err == nil {
		return ""
	}
	return s.Err.Error()
}

// Status returns how the record is doing now. It asks the file system for the space left.
func (r *Record) Status() Status {
	s := *r.status.Load()
	s.Free, s.Size, s.FreeKnown = space(r.path)
	s.Reserve = r.hasReserve()
	return s
}

func (r *Record) setFailing(err error, now collector.Moment) {
	s := *r.status.Load()
	if s.OK() {
		s.Failing = now
	}
	s.Err, s.Waiting, s.Lost = err, len(r.queue.lines), r.queue.lost
	r.status.Store(&s)
}

func (r *Record) setWritten() {
	if s := r.status.Load(); !s.OK() || s.Seq != r.seq {
		r.status.Store(&Status{Seq: r.seq})
	}
}
