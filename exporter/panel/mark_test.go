package panel

import (
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/rules"
)

// TestMark: the mark is the same as long as nothing but plain numbers moved, and another after anything that a page tells
// in words. The page and the stream's first event bear the same.
func TestMark(t *testing.T) {
	clock := collector.NewClock()
	room := exportertest.Ardenmoor(clock)
	last := markOf(room.View())
	room.Pass(time.Second)
	room.Set("air.header.pressure", 7.5)
	if now := markOf(room.View()); now != last {
		t.Errorf("a number moved: %s, before %s", now, last)
	}
	for _, c := range []struct {
		what string
		do   func()
	}{
		{"a reading lost", func() { room.Fail("air.header.pressure", collector.SignalLow, 0, "3.48 mA is below 3.6 mA") }},
		{"lost for another reason", func() { room.Fail("air.header.pressure", collector.SignalLow, 0, "3.40 mA is below 3.6 mA") }},
		{"found again", func() { room.Set("air.header.pressure", 7.5) }},
		{"an alarm", func() { room.Alarm("air-low", rules.Unacknowledged, 0) }},
		{"acknowledged", func() { room.Alarm("air-low", rules.Acknowledged, 0).AcknowledgedBy = "M. Hartnell" }},
		{"a link down", func() { room.Link(0).Up, room.Link(0).LastError = false, "cable pulled" }},
	} {
		c.do()
		now := markOf(room.View())
		if now == last {
			t.Errorf("%s: the mark is the same", c.what)
		}
		last = now
	}
	p := New(exporter.NewBoard(clock, room.View()), Options{})
	v := p.board.View()
	var page strings.Builder
	if err := pages.ExecuteTemplate(&page, "sheet.html", p.sheet(v, v.At)); err != nil {
		t.Fatal(err)
	}
	first, _ := p.change(nil, v)
	if second, _ := p.change(v, room.View()); first.Mark != last || second.Mark != "" || !strings.Contains(page.String(), `data-mark="`+last+`"`) {
		t.Errorf("the first event bears %q, the next %q, the view %q", first.Mark, second.Mark, last)
	}
}
