package record

import (
	"fmt"
	"strings"
)

// trendTables are the tables of readings and their figures, and views that any tool reads with readable times. Times are
// UTC milliseconds, hours are counted from 1970 UTC, all counts are steps of the series.
//
// Readings go: a window of all points every ten seconds, in the order of time, so that few pages are written; when its
// hour is over, a piece of one chunk a point, for reading, with the figures of its minutes and of the hour.
//
// The figures of an hour's sixty minutes are five rows of sixty numbers of a fixed width each: low, mean, high, last and
// share. Low is counted from base, in steps; mean (in hundredths of a step), high and last from the minute's low. The share
// of good readings is in per cent; 254 says that no reading could be used, 255 that there was none. A row of width 0 is all
// zeros, of the shares all like the column share.
var trendTables = `CREATE TABLE series (
		series INTEGER PRIMARY KEY,
		point  TEXT NOT NULL,
		unit   TEXT NOT NULL,
		kind   TEXT NOT NULL,
		step   REAL NOT NULL CHECK (step > 0),
		origin REAL NOT NULL,
		since  INTEGER NOT NULL,
		UNIQUE (point, unit, kind, step)
	) STRICT;
	CREATE TABLE windows (
		"window" INTEGER PRIMARY KEY,
		hour     INTEGER NOT NULL,
		time     INTEGER NOT NULL,
		until    INTEGER NOT NULL,
		readings INTEGER NOT NULL,
		data     BLOB NOT NULL
	) STRICT;
	CREATE TABLE pieces (
		piece    INTEGER PRIMARY KEY,
		hour     INTEGER NOT NULL,
		time     INTEGER NOT NULL,
		until    INTEGER NOT NULL,
		"last"   INTEGER NOT NULL,
		readings INTEGER NOT NULL,
		done     INTEGER NOT NULL CHECK (done IN (0, 1))
	) STRICT;
	CREATE TABLE clocks (
		clock INTEGER PRIMARY KEY,
		data  BLOB NOT NULL
	) STRICT;
	CREATE TABLE chunks (
		chunk    INTEGER PRIMARY KEY,
		clock    INTEGER NOT NULL,
		readings INTEGER NOT NULL,
		data     BLOB NOT NULL
	) STRICT;
	CREATE TABLE minutes (
		series   INTEGER NOT NULL,
		hour     INTEGER NOT NULL,
		min      REAL,
		mean     REAL,
		max      REAL,
		"last"   REAL,
		readings INTEGER NOT NULL,
		usable   INTEGER NOT NULL,
		good     INTEGER NOT NULL,
		base     INTEGER NOT NULL,
		share    INTEGER NOT NULL,
		w_low    INTEGER NOT NULL,
		w_mean   INTEGER NOT NULL,
		w_high   INTEGER NOT NULL,
		w_last   INTEGER NOT NULL,
		w_share  INTEGER NOT NULL,
		figures  BLOB NOT NULL,
		PRIMARY KEY (series, hour)
	) STRICT, WITHOUT ROWID;
	CREATE TABLE days (
		series   INTEGER NOT NULL,
		day      TEXT NOT NULL,
		time     INTEGER NOT NULL,
		min      REAL,
		mean     REAL,
		max      REAL,
		"last"   REAL,
		readings INTEGER NOT NULL,
		usable   INTEGER NOT NULL,
		good     INTEGER NOT NULL,
		PRIMARY KEY (series, day)
	) STRICT, WITHOUT ROWID;
	` + trendViews

// trendViews are for people with sqlite3 or a notebook.
var trendViews = `CREATE VIEW minute_figures AS
	` + minuteView() + `;
	CREATE VIEW hour_figures AS
	SELECT s.point, strftime('%Y-%m-%dT%H:%M:%SZ', m.hour * 3600, 'unixepoch') AS time, m.min, m.mean, m.max, m."last",
		m.good * 1.0 / m.readings AS share_good, s.unit
	FROM minutes m JOIN series s USING (series);
	CREATE VIEW day_figures AS
	SELECT s.point, d.day, d.min, d.mean, d.max, d."last", d.good * 1.0 / d.readings AS share_good, s.unit
	FROM days d JOIN series s USING (series);
	CREATE VIEW journal_lines AS
	SELECT seq, ` + stampSQL("time") + ` AS time, kind, alarm, point, ` + stateSQL(`"from"`) + ` AS "from", ` + stateSQL(`"to"`) + ` AS "to",
		value, "limit", unit, who, why, ` + stampSQL("until") + ` AS until, length / 1e9 AS seconds, count
	FROM journal;
	CREATE VIEW alarm_states AS
	SELECT name AS alarm, ` + stateSQL("state") + ` AS state, memory ->> '$.acknowledgedBy' AS acknowledged_by,
		memory ->> '$.value' AS value, coalesce(memory ->> '$.activations', 0) AS activations
	FROM alarms;
	CREATE VIEW outbox_messages AS
	SELECT key, ` + stampSQL("time") + ` AS time, state, done, channel, contact, alarm, subject, tries
	FROM outbox;`

func stampSQL(column string) string {
	return `strftime('%Y-%m-%dT%H:%M:%fZ', ` + column + ` / 1000.0, 'unixepoch')`
}

// stateSQL turns a state's letter into words.
func stateSQL(column string) string {
	var b strings.Builder
	b.WriteString("CASE " + column)
	for i, word := range [...]string{
		"normal", "unacknowledged", "acknowledged", "returned unacknowledged", "latched unacknowledged", "latched acknowledged",
		"shelved", "suppressed by design", "out of service",
	} {
		fmt.Fprintf(&b, " WHEN '%c' THEN '%s'", 'A'+i, word)
	}
	return b.String() + " END"
}

// minuteView unpacks the minutes' figures. SQLite has no function from a byte to its number, but finds its place in a
// row of all bytes.
func minuteView() string {
	offsets := [...]string{"0", "w_low", "w_low + w_mean", "w_low + w_mean + w_high", "w_low + w_mean + w_high + w_last"}
	field := func(width string, row int) string { return minuteNumber(width, "60 * ("+offsets[row]+")") }
	return `WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < 59),
	every(byte) AS (SELECT x'` + allBytes() + `'),
	unpacked AS (
		SELECT m.series, m.hour * 3600 + 60 * i AS second, base + ` + field("w_low", 0) + ` AS low, ` + field("w_mean", 1) + ` AS mean, ` +
		field("w_high", 2) + ` AS high, ` + field("w_last", 3) + ` AS "last",
			CASE w_share WHEN 0 THEN share ELSE ` + field("w_share", 4) + ` END AS share
		FROM minutes m, n, every
	)
	SELECT s.point, strftime('%Y-%m-%dT%H:%M:%SZ', u.second, 'unixepoch') AS time,
		CASE WHEN u.share < 254 THEN s.origin + s.step * u.low END AS min,
		CASE WHEN u.share < 254 THEN s.origin + s.step * (u.low + u.mean / 100.0) END AS mean,
		CASE WHEN u.share < 254 THEN s.origin + s.step * (u.low + u.high) END AS max,
		CASE WHEN u.share < 254 THEN s.origin + s.step * (u.low + u."last") END AS "last",
		CASE WHEN u.share < 254 THEN u.share / 100.0 ELSE 0.0 END AS share_good, s.unit
	FROM unpacked u JOIN series s USING (series) WHERE u.share < 255`
}

// minuteNumber returns the i-th number of a row of some width that begins after so many bytes, lowest byte first.
func minuteNumber(width, after string) string {
	var b strings.Builder
	b.WriteString("CASE " + width + " WHEN 0 THEN 0")
	for _, w := range figureWidths[1:] {
		fmt.Fprintf(&b, " WHEN %d THEN ", w)
		for k := range w {
			if k > 0 {
				b.WriteString(" + ")
			}
			fmt.Fprintf(&b, "(instr(byte, substr(figures, %s + %d * i + %d, 1)) - 1) * %d", after, w, k+1, int64(1)<<(8*k))
		}
	}
	return b.String() + " END"
}

func allBytes() string {
	var b strings.Builder
	for i := range 256 {
		fmt.Fprintf(&b, "%02x", i)
	}
	return b.String()
}
