package rehearsal

import (
	"bytes"
	"io"

	"roundsman/collector"
)

// Next returns the next moment with its readings.
func (c *CSV) Next() (collector.Moment, []collector.Reading, error) {
	if !c.waiting {
		if err := c.advance(); err != nil {
			return 0, nil, err
		}
	}
	if c.started && c.steps.add(c.at, c.rowAt) {
		c.gapForm = c.form
	}
	c.at, c.form, c.started = c.rowAt, c.rowForm, true
	c.batch = c.batch[:0]
	c.ledger.Moments++
	if err := c.takeRow(); err != nil {
		return 0, nil, err
	}
	for {
		err := c.advance()
		switch {
		case err == io.EOF || err == nil && c.rowAt != c.at:
			return c.finish()
		case err != nil:
			return 0, nil, err
		}
		if err := c.takeRow(); err != nil {
			return 0, nil, err
		}
	}
}

// finish counts the batch of a moment that is complete.
func (c *CSV) finish() (collector.Moment, []collector.Reading, error) {
	c.ledger.Readings += uint64(len(c.batch))
	if c.long {
		for i := range c.batch {
			c.place[c.batch[i].Point] = 0
		}
	}
	return c.at, c.batch, nil
}

// advance reads rows until one is to be taken, and its time.
func (c *CSV) advance() error {
	for !c.done {
		line, err := c.lines.next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return c.readError(err)
		}
		if len(line) == 0 {
			continue
		}
		if c.lines.open && c.isCutShort(line) {
			c.repairs[cutShort].add(c.here)
			break
		}
		take, err := c.readTime(line)
		if err != nil {
			return err
		}
		if take {
			c.row, c.waiting = line, true
			return nil
		}
	}
	c.done, c.waiting = true, false
	return c.mostlyOrdered(io.EOF)
}

// isCutShort reports whether a line without end has too few cells.
func (c *CSV) isCutShort(line []byte) bool {
	want := len(c.columns)
	if c.long {
		want = c.fields - 1
	}
	return bytes.Count(line, []byte{','}) < want
}

// readTime reads the first cell of a row and reports whether the row is to be taken.
func (c *CSV) readTime(line []byte) (bool, error) {
	end := bytes.IndexByte(line, ',')
	if end < 0 {
		end = len(line)
	}
	text := line[:end]
	if len(text) > 0 && (text[0] == '"' || text[0] == ' ' || text[len(text)-1] == ' ') {
		var err error
		if text, end, err = c.cell(line, 0); err != nil {
			return false, err
		}
		text = bytes.TrimSpace(text)
	}
	at, err := c.stamp.read(text)
	if err != nil {
		return false, c.failAt(line, 0, "%q %v", clip(string(text)), err)
	}
	switch {
	case c.o.From != nil && at < *c.o.From, c.o.To != nil && at >= *c.o.To:
		c.repairs[outside].Count++
		return false, nil
	case c.started && at < c.at:
		c.repairs[disordered].add(func() string { return c.here() + ": " + string(text) })
		if n := c.repairs[disordered].Count; n%1000 == 0 {
			return false, c.mostlyOrdered(nil)
		}
		return false, nil
	}
	c.rowAt, c.rowForm, c.cells = at, c.stamp.form, end
	return true, nil
}

// mostlyOrdered returns otherwise, or an error when more rows had to be left out than could be taken.
func (c *CSV) mostlyOrdered(otherwise error) error {
	if r := &c.repairs[disordered]; r.Count > c.ledger.Rows {
		return c.failAt(nil, -1, "times run backwards: %d rows are earlier than one before them (%s): sort the file by time", r.Count, r.First[0])
	}
	return otherwise
}

func (c *CSV) here() string { return fmtPlace(c.o.Name, c.lines.number) }

// takeRow adds the waiting row's readings to the batch.
func (c *CSV) takeRow() error {
	c.waiting = false
	c.ledger.Rows++
	if c.long {
		return c.longRow(c.row, c.cells)
	}
	var err error
	if len(c.batch) == 0 {
		c.batch, err = c.wideRow(c.row, c.cells, c.batch)
		return err
	}
	if c.extra, err = c.wideRow(c.row, c.cells, c.extra[:0]); err == nil {
		c.merge()
	}
	return err
}

// wideRow appends the readings of the cells behind the time.
func (c *CSV) wideRow(line []byte, end int, list []collector.Reading) ([]collector.Reading, error) {
	at := c.at
	for k, id := range c.columns {
		if end >= len(line) {
			return nil, c.failAt(line, -1, "%d cells, the header has %d", k+1, len(c.columns)+1)
		}
		v, next, ok := decimal(line, end+1)
		if ok {
			list = extend(list)
			r := &list[len(list)-1]
			r.Value, r.At, r.Point, r.Quality, r.Fault = v, at, id, collector.Good, collector.NoFault
			if r.Text != "" || r.Detail != "" {
				r.Text, r.Detail = "", ""
			}
			end = next
			continue
		}
		text, next, err := c.cell(line, end+1)
		if err != nil {
			return nil, err
		}
		r, is, err := c.reading(line, end+1, text, id)
		if err != nil {
			return nil, err
		}
		if is {
			list = append(list, r)
		}
		end = next
	}
	if end < len(line) {
		return nil, c.tooMany(line, end)
	}
	return list, nil
}

// extend makes room for one reading more and leaves in it what stood there in an earlier row: most of that needs no writing.
func extend(list []collector.Reading) []collector.Reading {
	if n := len(list); n < cap(list) {
		return list[:n+1]
	}
	return append(list, collector.Reading{})
}

func (c *CSV) tooMany(line []byte, end int) error {
	n := len(c.columns) + 1
	if c.long {
		n = c.fields
	}
	hint := ""
	if more := bytes.Count(line[end:], []byte{','}); more > 0 && (more == n-1 || bytes.Count(line, []byte{','}) > n) {
		hint = ": are there decimal commas? write 7.5"
	}
	return c.failAt(line, end+1, "%d cells, the header has %d%s", bytes.Count(line, []byte{','})+1, n, hint)
}

// merge puts the readings of a second row of one moment over those of the first.
func (c *CSV) merge() {
	if c.place == nil {
		c.place = make([]int32, len(c.o.Points))
	}
	for i := range c.batch {
		c.place[c.batch[i].Point] = int32(i + 1)
	}
	for _, r := range c.extra {
		c.put(r)
	}
	for i := range c.batch {
		c.place[c.batch[i].Point] = 0
	}
}

// put adds a reading to the batch, over one of the same point.
func (c *CSV) put(r collector.Reading) {
	if k := c.place[r.Point]; k > 0 {
		c.repairs[doubled].add(func() string { return c.here() + ": " + c.o.Points[r.Point].Name })
		if !c.batch[k-1].Quality.Usable() {
			c.ledger.Bad--
		}
		c.batch[k-1] = r
		return
	}
	c.batch = append(c.batch, r)
	c.place[r.Point] = int32(len(c.batch))
}

// longRow reads point, value and quality.
func (c *CSV) longRow(line []byte, end int) error {
	name, end, err := c.longCell(line, end, 1)
	if err != nil {
		return err
	}
	id, ok := c.idOf(name)
	if !ok {
		return c.failAt(line, c.cells+1, "%s", c.unknown(string(name)))
	}
	from := end + 1
	v, end, plain := decimal(line, min(from, len(line)))
	if plain && end == len(line) && c.fields == 3 && !c.passed[id] {
		c.put(collector.Reading{Value: v, At: c.at, Point: id, Quality: collector.Good})
		return nil
	}
	value, end, err := c.longCell(line, from-1, 2)
	if err != nil {
		return err
	}
	quality := collector.Good
	if c.fields == 4 {
		at := end + 1
		var word []byte
		if word, end, err = c.longCell(line, end, 3); err != nil {
			return err
		}
		if quality, ok = qualityOf(word); !ok {
			return c.failAt(line, at, "unknown quality %q: expected good, uncertain or bad", clip(string(word)))
		}
	}
	if end < len(line) {
		return c.tooMany(line, end)
	}
	if c.passed[id] {
		c.repairs[passedOver].add(func() string { return c.here() + ": " + c.o.Points[id].Name })
		return nil
	}
	return c.longReading(line, from, value, id, quality)
}

// longCell returns the k-th cell of a long row, which begins behind end.
func (c *CSV) longCell(line []byte, end, k int) ([]byte, int, error) {
	if end >= len(line) {
		return nil, 0, c.failAt(line, -1, "%d cells, the header has %d", k, c.fields)
	}
	text, next, err := c.cell(line, end+1)
	return bytes.TrimSpace(text), next, err
}

// idOf finds a point by name. Rows mostly come in the order of the moment before, whose readings still stand behind the
// end of the batch.
func (c *CSV) idOf(name []byte) (collector.PointID, bool) {
	if n := len(c.batch); n < cap(c.batch) {
		if id := c.batch[:n+1][n].Point; c.o.Points[id].Name == string(name) {
			return id, true
		}
	}
	id, ok := c.ids[string(name)]
	return id, ok
}

func (c *CSV) longReading(line []byte, at int, text []byte, id collector.PointID, quality collector.Quality) error {
	if quality == collector.Bad {
		c.ledger.Bad++
		c.put(recordedBad(id, c.at))
		return nil
	}
	r, is, err := c.reading(line, at, text, id)
	if err != nil || !is {
		return err
	}
	r.Quality = r.Quality.Worse(quality)
	c.put(r)
	return nil
}

func qualityOf(text []byte) (collector.Quality, bool) {
	switch string(text) {
	case "", "good":
		return collector.Good, true
	case "uncertain":
		return collector.Uncertain, true
	case "bad":
		return collector.Bad, true
	}
	return collector.Unread, false
}

func recordedBad(id collector.PointID, at collector.Moment) collector.Reading {
	return collector.Reading{Point: id, At: at, Quality: collector.Bad, Detail: "recorded as bad"}
}
