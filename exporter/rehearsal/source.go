package rehearsal

import "roundsman/collector"

// Source gives recorded readings in the order of time.
type Source interface {
	// Next returns the next moment, later than the one before, and its readings, each point at most once. The slice is
	// the source's until the next call. io.EOF ends it; any other error ends the rehearsal.
	Next() (collector.Moment, []collector.Reading, error)
}

// Columned is a source that knows beforehand which points it has.
type Columned interface {
	// Columns returns them; nil where they are not known.
	Columns() []collector.PointID
}

// Timed is a source whose times have a form of their own. Of others they are RFC 3339 in UTC.
type Timed interface {
	// Form returns the form of the moment that Next returned last.
	Form() Form
}
