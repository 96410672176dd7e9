package record

import (
	"errors"
	"fmt"

	"roundsman/exporter/record/pack"
)

// trend holds readings and their figures against their laws: whole numbers of hours, windows that open, chunks that have
// a series and a clock and are no more than their piece was made of, figures that can be of one span of time.
func (c *checker) trend() error {
	for _, law := range []struct{ query, words string }{
		{`SELECT "window" FROM windows WHERE time > until OR hour <> time / 3600000 OR hour <> until / 3600000`, "the window %s is not within its hour"},
		{`SELECT piece FROM pieces WHERE time > until OR hour <> time / 3600000`, "the piece %s is not within its hour"},
		{`SELECT chunk FROM chunks WHERE clock NOT IN (SELECT clock FROM clocks)`, "the chunk %s has no clock"},
		{`SELECT chunk FROM chunks WHERE (chunk & 1048575) NOT IN (SELECT series FROM series)`, "the chunk %s has no series"},
		{`SELECT chunk FROM chunks WHERE (chunk >> 20) NOT IN (SELECT piece FROM pieces)`, "the chunk %s has no piece"},
		{`SELECT p.piece FROM pieces p WHERE p.readings < (SELECT coalesce(sum(readings), 0) FROM chunks WHERE chunk >= p.piece << 20 AND chunk < (p.piece + 1) << 20)`,
			"the piece %s has more readings than its windows had"},
		{`SELECT series || ', hour ' || hour FROM minutes WHERE usable > readings OR good > readings OR usable > 0 AND NOT (min <= max AND mean BETWEEN min - 1e-6 * (1 + abs(min)) AND max + 1e-6 * (1 + abs(max)) AND "last" BETWEEN min AND max)`,
			"the figures of series %s cannot be"},
		{`SELECT series || ', ' || day FROM days WHERE usable > readings OR good > readings OR usable > 0 AND NOT (min <= max AND "last" BETWEEN min AND max)`,
			"the figures of series %s cannot be"},
	} {
		if err := c.names(law.query, law.words); err != nil {
			return err
		}
	}
	return errors.Join(c.windows(), c.minutes())
}

// windows opens those that are in no piece yet.
func (c *checker) windows() error {
	rows, err := c.q.QueryContext(c.ctx, `SELECT "window", readings, data FROM windows WHERE "window" > `+sqlPacked)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var window int64
		var readings int
		var data []byte
		if err := rows.Scan(&window, &readings, &data); err != nil {
			return err
		}
		n, err := readingsIn(data)
		if err == nil && n != readings {
			err = fmt.Errorf("it has %d readings, and %d are told", n, readings)
		}
		if err != nil {
			c.breach("the window %d: %w", window, err)
		}
	}
	return rows.Err()
}

func readingsIn(data []byte) (n int, err error) {
	p, err := pack.OpenSheet(data)
	if err != nil {
		return 0, err
	}
	for i := range p.Series {
		col, err := p.Column(i)
		if err != nil {
			return 0, err
		}
		n += len(col.Counts)
	}
	return n, nil
}

// minutes unpacks the figures of all minutes.
func (c *checker) minutes() error {
	rows, err := c.q.QueryContext(c.ctx, `SELECT `+minuteColumns+` FROM minutes`)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		h, err := scanHour(rows, true)
		if err != nil {
			return err
		}
		figures, err := h.unpack()
		if err != nil {
			c.breach("series %d, hour %d: %w", h.series, h.hour, err)
			continue
		}
		for i, share := range figures[4] {
			if share < noUsable && (share > 100 || figures[2][i] < figures[3][i] || figures[1][i] > meanParts*figures[2][i]) {
				c.breach("series %d, hour %d: the figures of minute %d cannot be", h.series, h.hour, i)
			}
		}
	}
	return rows.Err()
}
