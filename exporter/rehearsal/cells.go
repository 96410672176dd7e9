package rehearsal

import (
	"bytes"
	"fmt"

	"roundsman/collector"
)

// mostTexts bounds the different words of text points that are kept.
const mostTexts = 4096

func fmtPlace(name string, line int) string { return fmt.Sprintf("%s:%d", name, line) }

// reading makes a reading of a cell's text. is is false for an empty one.
func (c *CSV) reading(line []byte, at int, text []byte, id collector.PointID) (r collector.Reading, is bool, err error) {
	text = bytes.TrimSpace(text)
	if len(text) == 0 {
		c.ledger.Empty++
		return r, false, nil
	}
	r = collector.Reading{At: c.at, Point: id, Quality: collector.Good}
	if v, ok := number(text); ok {
		r.Value = v
		return r, true, nil
	}
	if isDecimalComma(text) {
		return r, false, c.failAt(line, at, "%q has a decimal comma: write %s", clip(string(text)), clip(string(bytes.Replace(text, []byte{','}, []byte{'.'}, 1))))
	}
	kind := c.o.Points[id].Kind
	switch word := bytes.ToLower(text); {
	case string(word) == "bad":
		c.ledger.Bad++
		return recordedBad(id, c.at), true, nil
	case kind == collector.State && (string(word) == "true" || string(word) == "on"):
		r.Value = 1
	case kind == collector.State && (string(word) == "false" || string(word) == "off"):
	case kind == collector.Text:
		r.Text = c.text(text)
	case isNaN(word):
		c.ledger.Bad++
		c.repairs[notANumber].add(func() string { return c.cellPlace(id, text) })
		r.Quality, r.Fault = collector.Bad, collector.NotANumber
	default:
		c.ledger.Bad++
		c.repairs[unreadable].add(func() string { return c.cellPlace(id, text) })
		r.Quality, r.Fault = collector.Bad, collector.BadPayload
	}
	return r, true, nil
}

func (c *CSV) cellPlace(id collector.PointID, text []byte) string {
	return fmt.Sprintf("%s: %s %q", c.here(), c.o.Points[id].Name, clip(string(text)))
}

func isNaN(word []byte) bool {
	switch string(bytes.TrimLeft(word, "+-")) {
	case "nan", "inf", "infinity":
		return true
	}
	return false
}

// text keeps one copy of each word.
func (c *CSV) text(word []byte) string {
	if t, ok := c.texts[string(word)]; ok {
		return t
	}
	t := string(word)
	if len(c.texts) < mostTexts {
		c.texts[t] = t
	}
	return t
}
