package panel

import (
	"fmt"
	"hash/fnv"
	"io"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/rules"
)

// markOf returns a short text that is the same for two views of one site if a page of one tells of the other all but plain
// numbers: which readings are not good and why, and how alarms and links stand. A page whose mark is that of the stream's
// first event need not be fetched anew.
func markOf(v *exporter.View) string {
	h := fnv.New64a()
	for i := range v.Site.Points {
		r := reading(v, i)
		writeMark(h, i, r.Quality, r.Reason())
		if v.Site.Points[i].Kind == collector.Text {
			writeMark(h, r.Value)
		}
	}
	for i := range v.Alarms {
		s := &v.Alarms[i]
		writeMark(h, i, s.State, s.Active, s.Started, s.ReadingLost, s.AcknowledgedBy, s.By, s.Until, s.Why, len(s.Consequences))
		if s.State != rules.Normal {
			writeMark(h, s.Value)
		}
	}
	for i := range v.Links {
		l := &v.Links[i]
		writeMark(h, l.Name, l.Up, l.Since, l.LastError)
		for _, u := range l.Units {
			writeMark(h, u.Unit, u.Good, u.Reason)
		}
	}
	return fmt.Sprintf("%016x", h.Sum64())
}

func writeMark(w io.Writer, what ...any) {
	for _, x := range what {
		_, _ = fmt.Fprintf(w, "%v\x00", x) // a hash takes everything
	}
}
