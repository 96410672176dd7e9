package main

import (
	"context"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/collector/outsidetest"
	"roundsman/configs"
	"roundsman/exporter/record"
	"roundsman/exporter/review"
	"roundsman/exporter/review/air"
	"roundsman/exporter/review/duty"
	"roundsman/exporter/review/water"
)

// weeksSite is a room with a pair of pumps, a compressor and meters. Its name has letters that HTML must not take for its own.
const weeksSite = `site: {name: 'Quill & Sons <Corner> Wash', time-zone: Europe/Dublin}
rules: [rules.yaml]
record: {path: corner.db}
links:
  plc: {modbus: 'tcp://127.0.0.1:1'}
points:
  air.pressure: {station: air, link: plc, unit-id: 1, holding: 10, type: int16, scale: {from: [0, 27648], to: [0 bar, 16 bar]}, every: 1s}
  air.running: {station: air, link: plc, unit-id: 1, discrete: 0, type: bool, every: 1s}
  air.loaded: {station: air, link: plc, unit-id: 1, discrete: 1, type: bool, every: 1s}
  wash.open: {station: wash, link: plc, unit-id: 1, discrete: 2, type: bool, every: 1s}
  p1.run: {station: reclaim, link: plc, unit-id: 1, discrete: 4, type: bool, every: 1s}
  p2.run: {station: reclaim, link: plc, unit-id: 1, discrete: 5, type: bool, every: 1s}
  fresh.pulses: {link: plc, unit-id: 1, holding: 20, type: uint32, kind: counter, unit: pulses, every: 1s}
  reclaim.pulses: {link: plc, unit-id: 1, holding: 22, type: uint32, kind: counter, unit: pulses, every: 1s}
  cars: {link: plc, unit-id: 1, holding: 24, type: uint32, kind: counter, unit: cars, every: 1s}
  tank.volume: {link: plc, unit-id: 1, holding: 26, unit: L, every: 1s}
  filter.dp: {link: plc, unit-id: 1, holding: 28, unit: bar, every: 1s}
  filter.backwash: {link: plc, unit-id: 1, discrete: 6, type: bool, every: 1s}
  fresh: {total: fresh.pulses, per-pulse: 10 L}
  reclaim: {total: reclaim.pulses, per-pulse: 50 L}
  leak: {leak-test: {pressure: air.pressure, loaded: air.loaded, while: not wash.open, volume: 500 L, delivery: 30 L/s}, digits: 3}
equipment:
  compressor: {run: air.running, hold-at-most: 150s, rated: 11 kW, loaded: air.loaded, service: [{name: oil, every: 40 h}, {name: separator, every: 4000 h}]}
  reclaim.pump.1: {run: p1.run, hold-at-most: 150s, rated: 7.5 kW, starts-per-hour: 10, pair: reclaim.pump.2, service: [{name: grease bearings, every: 2000 h}]}
  reclaim.pump.2: {run: p2.run, hold-at-most: 150s, rated: 7.5 kW, starts-per-hour: 10, pair: reclaim.pump.1}
review:
  open: {monday: '08:00-18:00', tuesday: '08:00-18:00', wednesday: '08:00-18:00', thursday: '08:00-18:00', friday: '08:00-18:00', saturday: '08:00-18:00', sunday: '08:00-18:00'}
  open-state: wash.open
  vehicles: cars
  air: {pressure: air.pressure, minimum: 5.5 bar, loaded: air.loaded, running: air.running, leak: leak, delivery: 30 L/s, power: 11.4 kW, energy-price: 0.28, currency: EUR}
  water: {fresh: fresh, reclaim: reclaim, tanks: {plant: {volume: tank.volume, in: fresh}}, filters: {sand filter: {difference: filter.dp, backwash: filter.backwash, due: 0.7 bar}}}
`

// weeksRoom plays a plausible room: opening hours, cars, cycles of pumps and compressor, a leak that grows.
// It steps the judge itself: one that runs by its own clock looks about every second, and weeks of that take minutes.
type weeksRoom struct {
	t      *testing.T
	dir    string
	judge  *judge
	record *record.Record

	cars, fresh, reclaim, pressure, dirt float64
}

// weeksStep is how far apart the looks are.
const weeksStep = time.Minute

func (w *weeksRoom) open() {
	w.t.Helper()
	site, err := configs.LoadFile(filepath.Join(w.dir, "site.yaml"))
	if err != nil {
		w.t.Fatal(err)
	}
	clock := collector.NewClock()
	w.record, err = record.Open(filepath.Join(w.dir, "corner.db"), record.Options{Clock: clock, Zone: site.Zone, Boot: func() record.Boot { return record.Boot{} }})
	if err != nil {
		w.t.Fatal(err)
	}
	if err := w.record.Follow(site.Points); err != nil {
		w.t.Fatal(err)
	}
	if w.judge, err = newJudge(site, nil, clock, w.record, settings{log: slog.New(slog.DiscardHandler)}); err != nil {
		w.t.Fatal(err)
	}
}

func (w *weeksRoom) close() {
	w.t.Helper()
	ctx, cancel := context.WithCancel(w.t.Context())
	cancel()
	_ = w.judge.stop(ctx)
	if err := w.record.Check(w.t.Context()); err != nil {
		w.t.Errorf("the record's own laws: %v", err)
	}
	if err := w.record.Close(); err != nil {
		w.t.Error(err)
	}
}

func (w *weeksRoom) feed(batch []collector.Reading) {
	w.judge.take(collector.Batch{Link: "plc", Readings: batch})
	w.judge.step(w.t.Context(), w.judge.clock.Now())
}

// live plays the room until a time. short makes the first pump start every two minutes.
func (w *weeksRoom) live(until time.Time, short bool) {
	for now := time.Now(); now.Before(until); now = time.Now() {
		w.step(now, short)
		time.Sleep(weeksStep)
	}
}

func (w *weeksRoom) step(now time.Time, short bool) {
	minute := now.Hour()*60 + now.Minute()
	open := minute >= 8*60 && minute < 18*60
	day := float64(now.YearDay())
	one, two := open && minute%10 < 6, open && minute%50 < 6
	if short && open {
		one = minute%2 == 0
	}
	loaded, backwash := open && minute%20 < 8, minute >= 18*60 && minute < 18*60+5
	seconds := weeksStep.Seconds()
	switch {
	case open:
		w.cars += 30 * seconds / 3600
		w.fresh += 30 * 80 * seconds / 3600
		w.reclaim += 30 * 120 * seconds / 3600
		w.dirt += 0.05 * seconds / 3600
		w.pressure = 7.2 + 0.3*math.Sin(float64(minute))
	default:
		w.fresh += 30 * seconds / 3600 // something runs at night
		if w.pressure > 5.6 {
			w.pressure -= (0.5 + 0.02*day) * 1.013 / 500 * seconds
		} else {
			w.pressure, loaded = 7.4, true
		}
	}
	if backwash {
		w.dirt = 0
	}
	at := w.judge.clock.Now()
	var batch []collector.Reading
	for i, v := range []float64{w.pressure, contact(open), contact(loaded), contact(open), contact(one), contact(two),
		math.Floor(w.fresh / 10), math.Floor(w.reclaim / 50), math.Floor(w.cars), 8000 + 500*math.Sin(float64(minute)/200), 0.2 + w.dirt, contact(backwash)} {
		batch = append(batch, collector.Reading{Point: collector.PointID(i), Value: v, Quality: collector.Good, At: at})
	}
	w.feed(batch)
}

// press feeds a pressure every two seconds, all else as it is.
func (w *weeksRoom) press(bar float64, length time.Duration) {
	for range int(length / (2 * time.Second)) {
		w.feed([]collector.Reading{{Point: 0, Value: bar, Quality: collector.Good, At: w.judge.clock.Now()}})
		time.Sleep(2 * time.Second)
	}
}

// weeksRecord makes a record that begins on the second day of January 2000, with a day of short cycles, an afternoon of
// chatter and a box that was off for five hours.
func weeksRecord(t *testing.T, days int) (site string) {
	t.Helper()
	dir := writeSite(t, chattyRules)
	write(t, dir, "site.yaml", weeksSite)
	synctest.Test(t, func(t *testing.T) {
		begin := time.Date(2000, 1, 2, 7, 0, 0, 0, time.UTC)
		time.Sleep(time.Until(begin))
		w := &weeksRoom{t: t, dir: dir, pressure: 7.2}
		w.open()
		at := func(day, hour int) time.Time { return time.Date(2000, 1, 2+day, hour, 0, 0, 0, time.UTC) }
		w.live(at(2, 12), false)
		w.live(at(2, 14), true)
		w.live(at(3, 15), false)
		for range 15 {
			w.press(5.4, 4*time.Second)
			w.press(5.65, 4*time.Second)
		}
		w.press(5.0, 3*time.Minute)
		w.live(at(4, 11), false)
		w.close()
		time.Sleep(5 * time.Hour)
		w.open()
		w.live(at(days, 7), false)
		w.close()
	})
	return filepath.Join(dir, "site.yaml")
}

// grid is the text of a page's tables: by the id of the table, its rows; the page must be well-formed to the letter.
func grid(t *testing.T, page string) (tables map[string][][]string, text string) {
	t.Helper()
	tables = map[string][][]string{}
	d := xml.NewDecoder(strings.NewReader(page))
	var id string
	var row []string
	var all, cell strings.Builder
	inCell, skip := false, 0
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return tables, all.String()
		}
		if err != nil {
			t.Fatalf("the page is not well-formed: %v", err)
		}
		switch e := token.(type) {
		case xml.StartElement:
			switch e.Name.Local {
			case "table":
				id = ""
				for _, a := range e.Attr {
					if a.Name.Local == "id" || id == "" && a.Name.Local == "class" {
						id = a.Value
					}
				}
			case "tr":
				row = nil
			case "td", "th":
				inCell = true
				cell.Reset()
			case "style", "svg":
				skip++
			}
		case xml.EndElement:
			switch e.Name.Local {
			case "td", "th":
				row = append(row, strings.Join(strings.Fields(cell.String()), " "))
				inCell = false
			case "tr":
				tables[id] = append(tables[id], row)
			case "style", "svg":
				skip--
			}
		case xml.CharData:
			if skip == 0 {
				all.Write(e)
				all.WriteByte(' ')
			}
			if inCell {
				cell.Write(e)
			}
		}
	}
}

func numeral(v float64, decimals int) string { return fmt.Sprintf("%.*f", decimals, v) }

// The numbers of the page are those of the four reviews, and the page says what is to be decided before anything else.
func TestHeavyReport(t *testing.T) {
	site := weeksRecord(t, 6)
	out := filepath.Join(t.TempDir(), "january.html")
	ask(t, exitGood, "report", site, "--month", "2000-01", "--out", out)
	if keep := os.Getenv("ROUNDSMAN_KEEP_REPORT"); keep != "" { // to look at it
		text, _ := os.ReadFile(out)
		_ = os.WriteFile(keep, text, 0o644)
	}
	raw, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	page := string(raw)
	tables, text := grid(t, strings.TrimPrefix(page, "<!DOCTYPE html>"))
	span := []string{"--from", "2000-01-01", "--to", "2000-02-01", "--json"}
	var d duty.Figures
	var a air.Figures
	var w water.Figures
	var f review.Figures
	for name, into := range map[string]any{"duty": &d, "air": &a, "water": &w, "alarms": &f} {
		if err := json.Unmarshal([]byte(ask(t, exitGood, append([]string{name, site}, span...)...)), into); err != nil {
			t.Fatal(err)
		}
	}
	t.Run("duty", func(t *testing.T) {
		rows := tables["machines"]
		if len(rows) != 1+len(d.Machines) || len(d.Machines) != 3 {
			t.Fatalf("machines: %q", rows)
		}
		for i, m := range d.Machines {
			got := rows[i+1]
			for column, want := range map[int]string{0: m.Equipment, 1: numeral(m.RunSeconds/3600, 1), 2: numeral(100*float64(m.Duty), 0) + " %", 3: fmt.Sprint(m.Starts),
				4: fmt.Sprint(m.WorstHour), 5: strings.TrimSuffix(numeral(float64(m.Limit), 1), ".0"), 11: numeral(m.Closed.RunSeconds/3600, 1), 12: numeral(float64(m.PerVehicle.Seconds), 1)} {
				if plainNumber(got[column]) != want {
					t.Errorf("%s: column %q is %q, want %q", m.Equipment, rows[0][column], got[column], want)
				}
			}
			if !strings.Contains(text, m.Decide) {
				t.Errorf("%s: %q is not told", m.Equipment, m.Decide)
			}
		}
	})
	t.Run("plants", func(t *testing.T) {
		found := map[string]string{}
		for _, r := range tables["figures"] {
			found[r[0]] = plainNumber(r[1])
		}
		for figure, want := range map[string]string{
			"Fresh water a vehicle":            numeral(float64(w.Use.FreshPerVehicle), 1) + " L",
			"Reused":                           numeral(100*float64(w.Use.Reuse), 0) + " %",
			"Fresh water at night":             numeral(float64(w.Night.FreshPerHour), 1) + " L/h",
			"Load factor: loaded, of running":  numeral(100*float64(a.Load.Factor), 0) + " %",
			"Leak, last night with a test":     numeral(float64(a.Leak.Latest), 2) + " L/s",
			"Leak, cost a year":                numeral(float64(a.Leak.Cost), 0) + " EUR",
			"Header pressure, mean while open": numeral(float64(a.Pressure.MeanOpen), 2) + " bar",
		} {
			if found[figure] != want {
				t.Errorf("%s is %q, want %q", figure, found[figure], want)
			}
		}
		if !w.Use.FreshPerVehicle.Is() || !a.Leak.Latest.Is() || !w.Night.FreshPerHour.Is() {
			t.Error("the record has no such figures: it tests nothing")
		}
		for _, line := range append(append([]string{}, a.Advice...), w.Advice...) {
			if !strings.Contains(text, line) {
				t.Errorf("%q is not told", line)
			}
		}
	})
	t.Run("alarms", func(t *testing.T) {
		if len(tables["findings"]) != 1+len(f.Findings) || len(tables["actors"]) != 1+len(f.Frequent) || len(f.Frequent) == 0 {
			t.Fatalf("findings %q, actors %q", tables["findings"], tables["actors"])
		}
		for i, a := range f.Frequent {
			if got := tables["actors"][i+1]; !strings.HasPrefix(got[0], a.Alarm) || plainNumber(got[1]) != fmt.Sprint(a.Alarms) || plainNumber(got[2]) != numeral(100*a.Share, 1)+" %" {
				t.Errorf("actor %q, want %+v", got, a)
			}
		}
		if !strings.Contains(tables["actors"][1][5], "Set ") {
			t.Errorf("nothing is suggested: %q", tables["actors"][1])
		}
	})
	t.Run("page", func(t *testing.T) { reportPage(t, page, text, tables) })
	t.Run("paper", func(t *testing.T) { reportOnPaper(t, page) })
}

// plainNumber takes the thin spaces and hard spaces out of what people read.
func plainNumber(s string) string {
	return strings.NewReplacer("\u202f", "", "\u00a0", " ", "\u2212", "-").Replace(s)
}

func reportPage(t *testing.T, page, text string, tables map[string][][]string) {
	if !strings.Contains(text, "Quill & Sons <Corner> Wash: equipment room, January 2000") || strings.Contains(page, "<Corner>") {
		t.Error("the site's name is not told, or not escaped")
	}
	for _, outside := range []string{"http://", "https://", "<script", "<link", "@import", "url(h", "src="} {
		if strings.Contains(strings.ReplaceAll(page, "http://www.w3.org", ""), outside) {
			t.Errorf("the page reaches outside: %s", outside)
		}
	}
	if len(page) > 1e6 || strings.Count(page, "<svg class=\"drawing hours\"") != 3 || strings.Count(page, "drawing bars") < 4 || strings.Count(page, "drawing trend") != 2 {
		t.Errorf("%d bytes, %d hours, %d bars, %d trends", len(page), strings.Count(page, "drawing hours"), strings.Count(page, "drawing bars"), strings.Count(page, "drawing trend"))
	}
	// what is to be decided: the short cycles and the overdue oil now, all else after them
	order := []string{"The box : Nothing is watched since ", "compressor : Oil is overdue by", "reclaim.pump.1 : 30 starts in its worst hour, 10 are allowed", "Compressed air : "}
	last := strings.Index(text, "What to decide")
	end := strings.Index(text, "Roundsman only watches")
	for _, words := range order {
		i := strings.Index(text, words)
		if i < last || i > end {
			t.Errorf("%q is not told in brief, or in another order", words)
		}
		last = i
	}
	// the box was off twice: before it was new, and for five hours
	rows := tables["blind"]
	if len(rows) != 4 || rows[1][3] != "the record begins here" || rows[2][3] != "stopped as planned" || !strings.HasPrefix(plainNumber(rows[2][2]), "5.0 h") || rows[3][3] != "the record ends here: the box is off" {
		t.Errorf("not watched: %q", rows)
	}
}

func TestReportSpans(t *testing.T) {
	dir := writeSite(t, smallRules)
	site := filepath.Join(dir, "site.yaml")
	out := filepath.Join(dir, "r.html")
	for _, tt := range []struct {
		code int
		args []string
	}{
		{exitUsage, []string{"report", site}},
		{exitUsage, []string{"report", site, "--out", out, "--month", "2000-13"}},
		{exitUsage, []string{"report", site, "--out", out, "--month", "2000-01", "--from", "2000-01-01"}},
		{exitUsage, []string{"report", site, "--out", out, "--to", "2000-01-01"}},
		{exitUsage, []string{"report", site, "--out", out, "--month", "2999-01"}},
		{exitWrong, []string{"report", site, "--out", out, "--month", "2000-01"}}, // no record yet
	} {
		ask(t, tt.code, tt.args...)
	}
	if _, err := os.Stat(out); !os.IsNotExist(err) {
		t.Errorf("a file was made: %v", err)
	}
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 3, 29, 12, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		f        reportFlags
		from, to string
	}{
		{reportFlags{}, "2026-02-01T00:00:00Z", "2026-03-01T00:00:00Z"},
		{reportFlags{month: "2025-10"}, "2025-10-01T00:00:00+01:00", "2025-11-01T00:00:00Z"},
		{reportFlags{month: "2026-03"}, "2026-03-01T00:00:00Z", "2026-03-29T13:00:00+01:00"}, // as far as it has gone
		{reportFlags{from: "2026-03-28", to: "2026-03-29"}, "2026-03-28T00:00:00Z", "2026-03-29T00:00:00Z"},
	} {
		s, err := tt.f.span(zone, now)
		if err != nil || s.From.In(zone).Format(time.RFC3339) != tt.from || s.To.In(zone).Format(time.RFC3339) != tt.to {
			t.Errorf("%+v: %s to %s, %v; want %s to %s", tt.f, s.From, s.To, err, tt.from, tt.to)
		}
	}
}

// reportOnPaper: the page prints on both papers with nothing cut off at the side.
func reportOnPaper(t *testing.T, text string) {
	chromium := outsidetest.Program(t, "chromium", "chromium")
	dir := t.TempDir()
	print := func(name, page string, args ...string) []byte {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(page), 0o600); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
		defer cancel()
		cmd := exec.CommandContext(ctx, chromium, append(append([]string{"--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--user-data-dir=" + filepath.Join(dir, "profile"), "--timeout=5000"}, args...), "file://"+path)...)
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("chromium: %v", err)
		}
		return out
	}
	for _, paper := range []struct {
		name, box string
		width     int // that is left between the margins, in CSS pixels
	}{{"A4", "[0 0 594.95996 841.91998]", 703}, {"letter", "[0 0 612 792]", 725}} {
		page := strings.Replace(text, "</style>", "@page { size: "+paper.name+"; }</style>", 1)
		file := filepath.Join(dir, paper.name+".pdf")
		print(paper.name+".html", page, "--no-pdf-header-footer", "--print-to-pdf="+file)
		pdf, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		pages := len(regexp.MustCompile(`/Type\s*/Page\b[^s]`).FindAll(pdf, -1))
		if pages < 3 || pages > 8 {
			t.Errorf("%s: %d pages", paper.name, pages)
		}
		if !strings.Contains(string(pdf), paper.box) {
			t.Errorf("%s: no page of %s: %s", paper.name, paper.box, regexp.MustCompile(`/MediaBox \[[^]]*\]`).Find(pdf))
		}
		// as wide as the paper lets it be, with what the screen would let scroll laid open
		open := strings.Replace(page, "</style>", "body { padding: 0 !important; max-width: none !important; } .wide { overflow: visible !important; }</style>", 1)
		open = strings.Replace(open, "</body>", "<script>document.title = 'wide ' + document.documentElement.scrollWidth</script></body>", 1)
		out := print("open.html", open, "--dump-dom", fmt.Sprintf("--window-size=%d,1200", paper.width))
		if want := fmt.Sprintf("<title>wide %d</title>", paper.width); !strings.Contains(string(out), want) {
			t.Errorf("%s: %s, want %s: something is cut off", paper.name, regexp.MustCompile(`<title>[^<]*</title>`).Find(out), want)
		}
	}
}
