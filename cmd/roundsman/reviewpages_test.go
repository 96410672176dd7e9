package main

import (
	"bytes"
	"context"
	"encoding/json"
	"html"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/panel"
	"roundsman/exporter/record"
	"roundsman/exporter/review"
	"roundsman/exporter/review/air"
	"roundsman/exporter/review/duty"
	"roundsman/exporter/review/water"
	"roundsman/rules"
)

var reviewSite = strings.Replace(plantSite, "review:\n", `conditions:
  opening.hours: {hours: {monday-sunday: '07:00-20:00'}}
review:
  open: opening.hours
`, 1) + `equipment:
  air.compressor: {run: air.running, rated: 11 kW, hold-at-most: 2m, service: [{name: oil, every: 2000 h}, {name: filter, every: 40 h}]}
  arch.pump: {run: conveyor.running, rated: 15 kW, hold-at-most: 2m, pair: lift.pump, starts-per-hour: 4}
  lift.pump: {run: air.loaded, rated: 5.5 kW, hold-at-most: 2m, pair: arch.pump}
`

// weekRecord makes a record of so many days from Saturday, 1 January 2000, a look every minute: a plain wash that opens
// at seven and closes at eight, cars in groups of five or six, whose air sinks once a day and leaks at night.
func weekRecord(t *testing.T, days int) (dir string) {
	t.Helper()
	dir = writeSite(t, smallRules)
	write(t, dir, "site.yaml", reviewSite)
	const every = time.Minute
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t, dir)
		w := plainWash{pressure: 7}
		for range days * int(24*time.Hour/every) {
			var batch []collector.Reading
			now := r.judge.clock.Now()
			for i, v := range w.step(time.Now().UTC()) {
				batch = append(batch, collector.Reading{Point: collector.PointID(i), Value: v, Quality: collector.Good, At: now})
			}
			r.judge.in <- collector.Batch{Link: "plc", Readings: batch}
			time.Sleep(every)
		}
		synctest.Wait()
		r.stop()
	})
	return dir
}

// plainWash is a wash whose days are all alike, but for the number of its cars.
type plainWash struct {
	pressure, fresh, reclaim, cars, tank float64
	loaded                               bool
}

// step returns what the points of reviewSite read a minute on.
func (w *plainWash) step(at time.Time) []float64 {
	h := at.Hour()
	open := h >= 7 && h < 20
	conveyor := open && at.Minute()%20 < 12
	if conveyor && at.Minute()%2 == 0 {
		w.cars++
		w.fresh, w.reclaim, w.tank = w.fresh+4, w.reclaim+1, w.tank-10
	}
	w.tank += 60 * contact(w.tank < 500)
	switch { // bar in a minute
	case open && h == 11 && at.Minute() < 5:
		w.pressure = 5.2 // once a day the air is low
	case w.loaded:
		w.pressure += 0.2
	case open:
		w.pressure -= 0.12
	default:
		w.pressure -= 0.6 * 60 / 500 // 0.6 L/s out of 500 L
	}
	w.pressure = max(w.pressure, 5.2)
	w.loaded = w.pressure < 6.8 || w.loaded && w.pressure < 8
	return []float64{w.pressure, contact(open || w.loaded), contact(w.loaded), contact(open), contact(conveyor), w.fresh, w.reclaim, w.cars, w.tank}
}

// reviewPanel is a panel over a record, as the daemon has it.
func reviewPanel(t *testing.T, dir string) http.Handler {
	t.Helper()
	site, err := configs.LoadFile(filepath.Join(dir, "site.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	r, err := record.Read(filepath.Join(dir, "corner.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	clock := collector.NewClock()
	list := site.Rules.Rules
	view := &exporter.View{Site: &exporter.Site{Name: site.Name, Zone: site.Zone, Points: site.Points, Rules: list}, At: clock.Now(), Time: time.Now()}
	due, err := servicesOnRecord(t.Context(), r)
	if err != nil {
		t.Fatal(err)
	}
	for i := range site.Equipment {
		e := exporter.Equipment{Name: site.Equipment[i].Name}
		for _, s := range due(&site.Equipment[i]) {
			e.Services = append(e.Services, exporter.ServiceDue{Service: s.Name, EverySeconds: s.Every.Seconds(), DueSeconds: s.Due.Seconds(), LastTime: s.Last})
		}
		view.Equipment = append(view.Equipment, e)
	}
	board := exporter.NewBoard(clock, view)
	q := newReviewing(clock)
	return panel.New(board, panel.Options{Duties: newDutyAnswers(q, r, site, board.View), Plants: newPlantAnswers(q, r, site),
		Reviews: newReviews(q, r, func() []rules.Rule { return list }), Journal: journal{r, func(string) rules.Priority { return rules.NoPriority }}, Overdue: 1000 * time.Hour}).Handler()
}

var (
	tags   = regexp.MustCompile(`<[^>]*>`)
	blanks = regexp.MustCompile(`\s+`)
	cells  = regexp.MustCompile(`(?s)<t[hd][^>]*>(.*?)</t[hd]>`)
	rowsOf = regexp.MustCompile(`(?s)<tr[^>]*>(.*?)</tr>`)
	founds = regexp.MustCompile(`(?s)<dt>(.*?)</dt><dd class="found num">(.*?)</dd>`)
	judged = regexp.MustCompile(`(?s)<li class="(?:good|look|poor|not judged)">(.*?)</li>`)
	parts  = regexp.MustCompile(`(?s)<(?:span|b) class="(verdict|what|found num)">(.*?)</(?:span|b)>`)
	gaps   = regexp.MustCompile(` {2,}`)
)

// plainWords is a piece of a page as the terminal writes it.
func plainWords(piece string) string {
	s := html.UnescapeString(tags.ReplaceAllString(piece, ""))
	s = strings.NewReplacer("\u00a0", " ", "−", "-", "–", "-", "m³", "m3").Replace(s)
	return strings.TrimSpace(blanks.ReplaceAllString(s, " "))
}

// table returns the rows of all tables of a page, each by its first cell.
func tableOf(page string) map[string][]string {
	out := map[string][]string{}
	for _, row := range rowsOf.FindAllStringSubmatch(page, -1) {
		var list []string
		for _, c := range cells.FindAllStringSubmatch(row[1], -1) {
			list = append(list, plainWords(c[1]))
		}
		if len(list) > 1 {
			out[list[0]] = list[1:]
		}
	}
	return out
}

// printed returns the rows of a command's tables, by the heading of their table and their first cell.
func printed(text string) map[string]map[string][]string {
	out := map[string]map[string][]string{}
	var head map[string][]string
	for _, block := range strings.Split(text, "\n\n") {
		for i, line := range strings.Split(strings.TrimRight(block, "\n"), "\n") {
			c := gaps.Split(strings.TrimSpace(line), -1)
			if i == 0 {
				head = map[string][]string{}
				out[strings.Join(c, ", ")] = head
			} else if !strings.HasPrefix(line, " ") {
				head[c[0]] = c[1:]
			}
		}
	}
	out["text"] = map[string][]string{"all": {text}}
	return out
}

// reviewed gets a page and what the command and the interface tell of the same span.
type reviewedPages struct {
	t    *testing.T
	site string
	h    http.Handler
	from string
	to   string
}

func (r *reviewedPages) get(path string) string {
	r.t.Helper()
	w := httptest.NewRecorder()
	r.h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path+"?from="+r.from+"&to="+r.to, nil))
	if w.Code != http.StatusOK {
		r.t.Fatalf("%s: %d %s", path, w.Code, w.Body)
	}
	return w.Body.String()
}

func (r *reviewedPages) command(args ...string) string {
	r.t.Helper()
	var out, errs bytes.Buffer
	args = append([]string{args[0], r.site, "--from", r.from, "--to", r.to}, args[1:]...)
	if code := run(context.Background(), args, nil, &out, &errs); code != exitGood {
		r.t.Fatalf("%v: exit %d: %s", args, code, &errs)
	}
	return out.String()
}

// same fails unless the interface's answer and the command's are the same figures.
func (r *reviewedPages) same(path, command string, into any) {
	r.t.Helper()
	told, said := r.get(path), r.command(command, "--json")
	if told != said {
		r.t.Errorf("%s and %s differ", path, command)
	}
	if err := json.Unmarshal([]byte(told), into); err != nil {
		r.t.Fatal(err)
	}
}

// The numbers on the pages are those of the interface and of the commands.
func TestHeavyReviewPagesTellWhatTheCommandsTell(t *testing.T) {
	const days = 1
	dir := weekRecord(t, days)
	r := &reviewedPages{t: t, site: filepath.Join(dir, "site.yaml"), h: reviewPanel(t, dir), from: "2000-01-01", to: "2000-01-02"}
	t.Run("pumps", func(t *testing.T) { r.t = t; r.pumps() })
	t.Run("air", func(t *testing.T) {
		r.t = t
		var f air.Figures
		r.same("/api/v1/air", "air", &f)
		if !f.Load.Factor.Is() || len(f.Leak.Nights) == 0 {
			t.Fatalf("nothing to compare: %+v", f)
		}
		r.plant("/air", "air", "night of, leak L/s, tests")
	})
	t.Run("water", func(t *testing.T) {
		r.t = t
		var f water.Figures
		r.same("/api/v1/water", "water", &f)
		if len(f.Days) != days || f.Use.Vehicles < 50 {
			t.Fatalf("nothing to compare: %+v", f)
		}
		r.plant("/water", "water", "day, vehicles, fresh L, reclaimed L, fresh a vehicle")
	})
	t.Run("alarms", func(t *testing.T) { r.t = t; r.alarms() })
}

func (r *reviewedPages) pumps() {
	t, page := r.t, r.get("/pumps")
	var f duty.Figures
	if err := json.Unmarshal([]byte(r.command("duty", "--json")), &f); err != nil {
		t.Fatal(err)
	}
	told, rows := printed(r.command("duty")), tableOf(page)
	times := told["equipment, run h, duty, mean run, shortest, longest, unseen, kWh"]
	starts := told["equipment, starts, in 1 h, allowed, short, of pair, closed h, s a car"]
	if len(times) != 3 || len(starts) != 3 {
		t.Fatalf("the command's tables: %v", told)
	}
	for i := range f.Machines {
		m := &f.Machines[i]
		if m.RunSeconds == 0 || m.Starts == 0 {
			t.Errorf("%s did nothing: no proof", m.Equipment)
		}
		var api duty.MachineFigures
		if err := json.Unmarshal([]byte(r.get("/api/v1/equipment/"+m.Equipment+"/duty")), &api); err != nil {
			t.Fatal(err)
		}
		if api.RunSeconds != m.RunSeconds || api.Starts != m.Starts || api.Duty != m.Duty || api.WorstHour != m.WorstHour {
			t.Errorf("%s: the interface tells %+v, the command %+v", m.Equipment, api, *m)
		}
		a, b := times[m.Equipment], starts[m.Equipment]
		if m.Pair == nil {
			b = append(b[:4:4], append([]string{""}, b[4:]...)...)
		}
		want := []string{a[0], a[1], b[0], b[1] + " of " + b[2], b[3], a[2], b[5], b[6], a[6]}
		name := map[string]string{"air.compressor": "Air compressor", "arch.pump": "Arch pump", "lift.pump": "Lift pump"}[m.Equipment]
		if got := rows[name]; strings.Join(got, "|") != strings.Join(want, "|") {
			t.Errorf("%s: the page has %q, the command %q", name, got, want)
		}
		_, section, _ := strings.Cut(page, `id="m-`+strings.ReplaceAll(m.Equipment, ".", "-")+`"`)
		section, _, _ = strings.Cut(section, "</section>")
		lines := plainWords(section)
		for _, finding := range append([]string{m.Decide}, m.Findings...) {
			if !strings.Contains(lines, plainWords(finding)) {
				t.Errorf("%s: the page lacks %q", name, finding)
			}
		}
		if n := strings.Count(section, `class="ran"`); n == 0 {
			t.Errorf("%s: nothing is drawn", name)
		}
	}
	services := told["service, of, due in h, expected"]
	if got := rows["oil Air compressor"]; len(got) < 1 || got[0] != services["oil"][1]+" h" {
		t.Errorf("services: the page has %q, the command %q", got, services["oil"])
	}
}

// plant compares a page of air or water: each figure found, and the rows of its last table.
func (r *reviewedPages) plant(path, command, table string) {
	t, page := r.t, r.get(path)
	told := printed(r.command(command))
	found := map[string]bool{}
	for _, m := range founds.FindAllStringSubmatch(page, -1) {
		found[plainWords(m[2])] = true
	}
	compared := 0
	for name, row := range told["figure, found, and"] {
		compared++
		if !found[row[0]] && !found["at least "+row[0]] { // the table says so below, once for all
			t.Errorf("%s: the page lacks %q; it has %v", name, row[0], found)
		}
	}
	if compared < 5 {
		t.Errorf("only %d figures were compared: %v", compared, told)
	}
	r.judgements(page, told)
	rows := tableOf(page)
	if len(told[table]) == 0 {
		t.Errorf("the command has no table %q", table)
	}
	for day, want := range told[table] {
		at, err := time.Parse(time.DateOnly, day)
		if err != nil {
			continue // words below it
		}
		if got := rows[at.Format("Mon 2 Jan")]; strings.Join(got, "|") != strings.Join(want, "|") {
			t.Errorf("%s: the page has %q, the command %q", day, got, want)
		}
	}
}

// judgements compares the verdicts.
func (r *reviewedPages) judgements(page string, told map[string]map[string][]string) {
	var got []string
	for _, li := range judged.FindAllStringSubmatch(page, -1) {
		var v, figure, found string
		for _, p := range parts.FindAllStringSubmatch(li[1], -1) {
			switch p[1] {
			case "verdict":
				v = plainWords(p[2])
			case "what":
				figure = strings.ToLower(plainWords(p[2]))
			default:
				found = plainWords(p[2])
			}
		}
		got = append(got, v+"|"+found+"|"+figure)
	}
	if len(got) == 0 {
		r.t.Error("the page judges nothing")
	}
	text := "\n" + told["text"]["all"][0]
	for _, g := range got {
		c := strings.Split(g, "|")
		row := regexp.MustCompile(`(?i)\n` + regexp.QuoteMeta(c[0]) + ` +` + regexp.QuoteMeta(c[1]) + `  ` + regexp.QuoteMeta(c[2]))
		if !row.MatchString(text) {
			r.t.Errorf("the command has no row %q", c)
		}
	}
}

func (r *reviewedPages) alarms() {
	t, page := r.t, r.get("/alarms")
	var f review.Figures
	r.same("/api/v1/figures", "alarms", &f)
	if f.Alarms == 0 {
		t.Fatal("there was no alarm: no proof")
	}
	r.judgements(page, printed(r.command("alarms")))
	rows := tableOf(page)
	for _, a := range f.Frequent {
		if got := rows[map[string]string{"air-low": "Air low", "air-high": "Air high"}[a.Alarm]]; len(got) == 0 {
			t.Errorf("the page does not name %s, which is frequent", a.Alarm)
		}
	}
}

// The alarms page offers each kind of line that the record keeps.
func TestEveryKindOfLineCanBeChosen(t *testing.T) {
	files, err := filepath.Glob("../../exporter/record/*.go")
	if err != nil {
		t.Fatal(err)
	}
	offered, seen := panel.JournalKinds(), 0
	for _, path := range files {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`(?m)^(?:const |\t)[A-Z]\w+ +Kind += "([^"]+)"`).FindAllSubmatch(text, -1) {
			if seen++; !slices.Contains(offered, string(m[1])) {
				t.Errorf("%q of %s is not offered", m[1], path)
			}
		}
	}
	if seen < 10 {
		t.Errorf("only %d kinds were found", seen)
	}
}
