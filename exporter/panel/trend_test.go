package panel_test

import (
	"encoding/csv"
	"errors"
	"log/slog"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/panel"
	"roundsman/rules"
)

func TestPointTrend(t *testing.T) {
	for _, c := range []struct {
		span string
		last time.Duration
		step time.Duration
	}{
		{"", 10 * time.Minute, 2 * time.Second}, {"?span=day", 24 * time.Hour, 5 * time.Minute}, {"?span=6-hours", 6 * time.Hour, time.Minute}, {"?span=hour", time.Hour, 10 * time.Second}, {"?span=week", 7 * 24 * time.Hour, 30 * time.Minute},
		{"?span=month", 31 * 24 * time.Hour, 2 * time.Hour}, {"?span=year", 366 * 24 * time.Hour, 24 * time.Hour},
	} {
		fake := &trends{unit: "bar", steps: []exporter.TrendStep{{Milli: time.Now().Add(-time.Minute).UnixMilli(), Min: 7, Mean: 7.5, Max: 8}}}
		body := page(t, withTrends(panel.Options{Trends: fake}), "/points/air.header.pressure"+c.span)
		if fake.step != c.step || fake.to.Sub(fake.from) != c.last || fake.to.Before(time.Now().Add(-time.Second)) || time.Until(fake.to) > c.step {
			t.Errorf("%s: asked for %v to %v in steps of %v", c.span, fake.from, fake.to, fake.step)
		}
		for _, want := range []string{"low 5.50\u00a0bar</text>", "low-low 4.80\u00a0bar</text>", `class="limit outer"`, `data-source="/api/v1/points/air.header.pressure/readings?from=`,
			"Lowest 7.00\u00a0bar, highest 8.00\u00a0bar", `href="/points/air.header.pressure?span=year"`, `aria-current="true"`, `/points/air.header.pressure/readings.csv?span=`} {
			if !strings.Contains(body, want) {
				t.Errorf("%s: the page has no %s", c.span, want)
			}
		}
	}
	if w := get(t, withTrends(panel.Options{Trends: &trends{}}), "/points/air.header.pressure?span=decade"); w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), "10-minutes, hour, 6-hours, day, week, month, year") {
		t.Errorf("an unknown span: %d %s", w.Code, w.Body)
	}
}

// TestTrendOfWhoDoesNotAsk: the usual span is a day; where less was kept it is one that this fills by half, ten minutes at least.
func TestTrendOfWhoDoesNotAsk(t *testing.T) {
	for _, c := range []struct{ kept, want time.Duration }{
		{0, 24 * time.Hour}, {time.Minute, 10 * time.Minute}, {25 * time.Minute, 10 * time.Minute}, {30 * time.Minute, time.Hour}, {50 * time.Minute, time.Hour}, {170 * time.Minute, time.Hour}, {3 * time.Hour, 6 * time.Hour},
		{11 * time.Hour, 6 * time.Hour}, {12 * time.Hour, 24 * time.Hour}, {24 * time.Hour, 24 * time.Hour}, {400 * time.Hour, 24 * time.Hour},
	} {
		fake := &trends{unit: "bar"}
		for ago := c.kept.Milliseconds(); ago > 0; ago -= 60_000 {
			fake.steps = append(fake.steps, exporter.TrendStep{Milli: time.Now().UnixMilli() - ago, Min: 7, Mean: 7.5, Max: 8})
		}
		page(t, withTrends(panel.Options{Trends: fake}), "/points/air.header.pressure")
		if got := fake.to.Sub(fake.from); got != c.want {
			t.Errorf("with %v kept it shows %v, want %v", c.kept, got, c.want)
		}
	}
}

// TestTrendTrouble: the reading is shown whatever became of the record, and without one there is no trend.
func TestTrendTrouble(t *testing.T) {
	var log strings.Builder
	body := page(t, withTrends(panel.Options{Trends: &trends{err: errors.New("disk gone")}, Log: slog.New(slog.NewTextHandler(&log, nil))}), "/points/air.header.pressure")
	if !strings.Contains(body, "What was kept cannot be read.") || !strings.Contains(body, "7.62") || strings.Contains(body, "disk gone") || !strings.Contains(log.String(), "disk gone") {
		t.Errorf("log %q", log.String())
	}
	body = page(t, withTrends(panel.Options{Trends: &trends{err: exporter.ErrNoTrend}}), "/points/air.header.pressure")
	if !strings.Contains(body, "Nothing that could be used was kept") || strings.Contains(body, "cannot be read") {
		t.Error("nothing kept yet is no trouble")
	}
	if body = page(t, withTrends(panel.Options{}), "/points/air.header.pressure"); strings.Contains(body, "Trend") {
		t.Error("a trend without a record")
	}
}

// TestTrendOfState: words instead of numbers on the axis.
func TestTrendOfState(t *testing.T) {
	fake := &trends{steps: []exporter.TrendStep{{Milli: time.Now().Add(-time.Minute).UnixMilli(), Min: 0, Mean: 0.4, Max: 1}}}
	body := page(t, withTrends(panel.Options{Trends: fake}), "/points/air.compressor.running")
	if !strings.Contains(body, ">stopped</text>") || !strings.Contains(body, ">running</text>") || !strings.Contains(body, "share of time") {
		t.Error("the axis of a state has no words")
	}
	// 130 pixels less 40 for the words around it, 6 % of room above and none below zero: off at the bottom, on near the top
	if !strings.Contains(body, `y1="108" y2="108" stroke="currentColor"/><text x="-6" y="112" text-anchor="end">stopped`) ||
		!strings.Contains(body, `y1="23.1" y2="23.1" stroke="currentColor"/><text x="-6" y="27.1" text-anchor="end">running`) {
		t.Error("on and off are not at the ends of the axis")
	}
}

// TestTrendOnce: many viewers cost one drawing, and a reload draws anew.
func TestTrendOnce(t *testing.T) {
	room, clock := quiet()
	board := exporter.NewBoard(clock, room.View())
	fake := &trends{unit: "bar"}
	h := panel.New(board, panel.Options{Trends: fake}).Handler()
	page(t, h, "/points/air.header.pressure")
	fake.point = ""
	page(t, h, "/points/air.header.pressure")
	if fake.point != "" {
		t.Error("drawn again for the second viewer")
	}
	v := *room.View()
	site := *v.Site
	site.Rules = append([]rules.Rule(nil), site.Rules...)
	v.Site = &site
	board.Publish(&v)
	page(t, h, "/points/air.header.pressure")
	if fake.point == "" {
		t.Error("not drawn anew after a reload")
	}
}

func TestReadingsCSV(t *testing.T) {
	milli := time.Date(2026, 7, 4, 5, 10, 0, 0, time.UTC).UnixMilli()
	fake := &trends{unit: "bar", steps: []exporter.TrendStep{{Milli: milli, Min: 7, Mean: 7.25, Max: 8}, {Milli: milli + 60_000, Min: 1, Mean: math.NaN(), Max: 2}}}
	w := get(t, withTrends(panel.Options{Trends: fake}), "/points/air.header.pressure/readings.csv?span=hour")
	want := "time,point,unit,min,mean,max\r\n2026-07-04T06:10:00+01:00,air.header.pressure,bar,7,7.25,8\r\n" // Dublin in summer
	if w.Code != 200 || w.Body.String() != want || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/csv") ||
		w.Header().Get("Content-Disposition") != `attachment; filename="air.header.pressure.csv"` {
		t.Errorf("%d %v\n%q\nwant %q", w.Code, w.Header(), w.Body.String(), want)
	}
	if rows, err := csv.NewReader(w.Body).ReadAll(); err != nil || len(rows) > 2 {
		t.Errorf("%v, %d rows", err, len(rows))
	}
	if fake.step != 10*time.Second {
		t.Errorf("steps of %v", fake.step)
	}
	get(t, withTrends(panel.Options{Trends: fake}), "/points/air.header.pressure/readings.csv?from=2026-07-04T00:00:00Z&to=2026-07-05T00:00:00Z&step=1h")
	if fake.step != time.Hour || fake.to.Sub(fake.from) != 24*time.Hour {
		t.Errorf("from %v to %v in %v", fake.from, fake.to, fake.step)
	}
	for path, code := range map[string]int{"/points/none/readings.csv": 404, "/points/air.header.pressure/readings.csv?span=hour&step=1s": 400, "/points/air.header.pressure/readings.csv?spam=hour": 400} {
		if w := get(t, withTrends(panel.Options{Trends: fake}), path); w.Code != code {
			t.Errorf("%s: %d, want %d", path, w.Code, code)
		}
	}
}

// TestFacts: what a technician compares at commissioning stands on the page, escaped; seldom readings make longer steps.
func TestFacts(t *testing.T) {
	fake := &trends{unit: "bar"}
	facts := func(string) exporter.PointFacts {
		return exporter.PointFacts{Facts: []exporter.Fact{{Name: "Register", Words: "holding 10, reference 40011"}, {Name: "Topic", Words: "<yard>"}}, Every: time.Minute}
	}
	body := page(t, withTrends(panel.Options{Trends: fake, Facts: facts}), "/points/air.header.pressure?span=hour")
	if !strings.Contains(body, "<dt>Register</dt><dd>holding 10, reference 40011</dd>") || !strings.Contains(body, "<dd>&lt;yard&gt;</dd>") {
		t.Error("the facts are not on the page")
	}
	if fake.step != time.Minute {
		t.Errorf("steps of %v for a point that is read once a minute", fake.step)
	}
}

// TestSince: a state that was seen to change tells when, one that was so at the start does not.
func TestSince(t *testing.T) {
	room, clock := quiet()
	board := exporter.NewBoard(clock, room.View())
	p := panel.New(board, panel.Options{})
	stop := running(t, p)
	defer stop()
	h := p.Handler()
	if body := page(t, h, "/"); strings.Contains(body, ">since ") {
		t.Error("a state since when nobody knows")
	}
	for n := range 200 { // until the watching has begun
		room.Pass(time.Second)
		room.Set("air.compressor.running", float64(n%2))
		room.Set("city.pressure", 3.9)
		if n%2 == 0 {
			room.Fail("city.pressure", collector.SignalLow, 0, "3.48 mA is below 3.6 mA")
		}
		board.Publish(room.View())
		<-time.After(10 * time.Millisecond)
		body := page(t, h, "/")
		if n%2 == 0 && strings.Count(body, `<span class="since">since `) == 1 && strings.Contains(body, "3.48 mA is below 3.6 mA, since ") {
			return
		}
	}
	t.Error("no since on the sheet")
}
