package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unicode/utf8"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/panel"
	"roundsman/exporter/record"
	"roundsman/exporter/review/duty"
)

const dutySite = smallSite + `  air.hours: {link: plc, unit-id: 1, holding: 20, type: uint32, kind: counter, scale: 0.1 h, every: 1m}
equipment:
  compressor: {run: air.running, hold-at-most: 30s, rated: 7.5 kW, pair: spare, service: [{name: oil, every: 1 h}, {name: filter, every: 1000 h}]}
  spare: {hour-meter: air.hours, hold-at-most: 5m}
`

// works feeds the running contact every ten seconds for so long, and the hour meter of the spare.
func (r *fakeRoom) works(on bool, length time.Duration, hours float64) {
	for range int(length / (10 * time.Second)) {
		now := r.judge.clock.Now()
		run := collector.Reading{Point: 1, Quality: collector.Good, At: now}
		if on {
			run.Value = 1
		}
		r.judge.in <- collector.Batch{Link: "plc", Readings: []collector.Reading{run, {Point: 2, Value: hours, Quality: collector.Good, At: now}}}
		time.Sleep(10 * time.Second)
	}
	synctest.Wait()
}

// dutyRecord makes a record of an hour and a half with the worked runs of 180, 30 and 1200 s, the box being off for half an
// hour while the third went on, and with a spare whose hour meter was replaced.
func dutyRecord(t *testing.T) (dir string) {
	t.Helper()
	dir = writeSite(t, smallRules)
	write(t, dir, "site.yaml", dutySite)
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t, dir)
		r.works(false, 120*time.Second, 500)
		r.works(true, 180*time.Second, 500)
		r.works(false, 120*time.Second, 500.1)
		r.works(true, 30*time.Second, 500.1)
		r.works(false, 1350*time.Second, 500.1)
		r.works(true, 600*time.Second, 500.2)
		r.stop()
		time.Sleep(30 * time.Minute)
		r = openRoom(t, dir)
		r.works(true, 600*time.Second, 20)
		r.works(false, 600*time.Second, 20)
		if !r.told(record.MeterJumped, "hour meter of spare went from 500.2 to 20: replaced; was it replaced?") {
			t.Error("nobody asks about the hour meter")
		}
		e := r.judge.board.View().Equipment
		if len(e) != 2 || e[0].Starts != 3 || e[0].RunSeconds < 1400 || e[0].RunSeconds > 1450 || e[0].Services[0].DueSeconds != 3600-e[0].RunSeconds {
			t.Errorf("shown is %+v", e)
		}
		r.stop()
	})
	return dir
}

func TestDutyCommand(t *testing.T) {
	dir := dutyRecord(t)
	site := filepath.Join(dir, "site.yaml")
	told := func(code int, args ...string) string {
		t.Helper()
		var out, errs bytes.Buffer
		if got := run(context.Background(), append([]string{"duty", site, "--from", "2000-01-01", "--to", "2000-01-02"}, args...), nil, &out, &errs); got != code {
			t.Fatalf("%v: exit %d: %s%s", args, got, &out, &errs)
		}
		return out.String() + errs.String()
	}
	var f duty.Figures
	if err := json.Unmarshal([]byte(told(exitGood, "--json")), &f); err != nil {
		t.Fatal(err)
	}
	// the looks are ten seconds apart, and the last one before the box went off stands for no longer than it was looked at
	c := f.Machines[0]
	if c.Starts != 3 || c.RunSeconds < 1400 || c.RunSeconds > 1450 || c.WorstHour != 3 || c.LongestSeconds < 600 || c.ShortestSeconds != 30 || c.UnseenSeconds < 1700 {
		t.Errorf("compressor %+v", c)
	}
	if s := f.Machines[1]; s.StartsSeen || s.RunSeconds != 12*60 || s.UnseenSeconds < 30*60 {
		t.Errorf("spare %+v", s)
	}
	if j := f.Machines[1].Jumps; len(j) != 1 || !strings.Contains(j[0], "was it replaced?") || len(c.Jumps) != 0 {
		t.Errorf("questions about meters: %q", j)
	}
	table := told(exitGood)
	for line := range strings.Lines(table) {
		if utf8.RuneCountInString(line) > 81 {
			t.Errorf("more than 80 columns: %s", line)
		}
	}
	if !strings.Contains(table, "compressor") || !strings.Contains(table, "oil") || strings.Contains(told(exitGood, "--equipment", "spare"), "compressor  ") {
		t.Errorf("the table:\n%s", table)
	}
	rows, err := csv.NewReader(strings.NewReader(told(exitGood, "--csv"))).ReadAll()
	if err != nil || len(rows) != 3 || rows[1][0] != "compressor" || rows[1][7] != "3" || rows[2][7] != "" {
		t.Errorf("csv %q, %v", rows, err)
	}
	for _, column := range []string{"seconds_per_vehicle_per_day", "load_cycles", "load_factor", "next_service", "next_service_due_hours", "next_service_expected"} {
		if !slices.Contains(rows[0], column) || len(rows[1]) != len(rows[0]) {
			t.Errorf("csv has no %s: %q", column, rows)
		}
	}
	if i := slices.Index(rows[0], "next_service"); rows[1][i] != "oil" {
		t.Errorf("the compressor's next service is %q", rows[1][i])
	}
	for _, wrong := range [][]string{{"--equipment", "spar"}, {"--csv", "--json"}, {"--from", "yesterday"}} {
		told(exitUsage, wrong...)
	}
	if said := told(exitUsage, "--equipment", "spar"); !strings.Contains(said, "did you mean spare?") {
		t.Errorf("a wrong name is told as %s", said)
	}
}

func TestDutyOverHTTP(t *testing.T) {
	dir := dutyRecord(t)
	site, err := configs.LoadFile(filepath.Join(dir, "site.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	r, err := record.Read(filepath.Join(dir, "corner.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	clock := collector.NewClock()
	view := &exporter.View{Site: &exporter.Site{Name: site.Name, Zone: site.Zone, Points: site.Points}, At: clock.Now(),
		Equipment: []exporter.Equipment{{Name: "compressor", Known: true, Running: true, RunSeconds: 1410, Starts: 3, Services: []exporter.ServiceDue{{Service: "oil", EverySeconds: 3600, DueSeconds: 2190}}}, {Name: "spare"}}}
	board := exporter.NewBoard(clock, view)
	h := panel.New(board, panel.Options{Duties: newDutyAnswers(newReviewing(clock), r, site, board.View)}).Handler()
	get := func(path string, code int) (body map[string]any) {
		t.Helper()
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
		if w.Code != code {
			t.Fatalf("%s: %d %s", path, w.Code, w.Body)
		}
		if err := json.Unmarshal(w.Body.Bytes(), &body); err != nil && code != http.StatusOK {
			t.Error(err)
		}
		return body
	}
	d := get("/api/v1/equipment/compressor/duty?from=2000-01-01&to=2000-01-02", http.StatusOK)
	if d["equipment"] != "compressor" || d["starts"] != 3.0 || d["from"] != "2000-01-01T00:00:00Z" || d["runSeconds"].(float64) < 1400 || d["unseenSeconds"].(float64) < 1700 {
		t.Errorf("got %v", d)
	}
	if p := d["pair"].(map[string]any); p["with"] != "spare" || p["share"].(float64) < 0.6 {
		t.Errorf("pair %v", p)
	}
	if s := d["services"].([]any)[0].(map[string]any); s["service"] != "oil" || s["dueHours"].(float64) != 2190.0/3600 {
		t.Errorf("services %v", s)
	}
	if p := get("/api/v1/equipment/compresor/duty", http.StatusNotFound); !strings.Contains(p["detail"].(string), "did you mean compressor?") {
		t.Errorf("problem %v", p)
	}
	get("/api/v1/equipment/compressor/duty?from=2000-01-02&to=2000-01-01", http.StatusBadRequest)
	get("/api/v1/equipment/compressor/duty?form=2000-01-02", http.StatusBadRequest)
	get("/api/v1/equipment/compressor/duty?from=2999-01-01", http.StatusBadRequest)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/api/v1/equipment", nil))
	var list []map[string]any
	if err := json.Unmarshal(w.Body.Bytes(), &list); err != nil || len(list) != 2 || list[0]["running"] != true || list[1]["running"] != nil || list[0]["runSeconds"] != 1410.0 {
		t.Errorf("equipment: %s", w.Body)
	}
}

// A service that somebody did is on the record and in the journal before it is told, and the next is counted from then, also
// by the daemon after this one.
func TestServicedCommand(t *testing.T) {
	dir := dutyRecord(t)
	r := openRoom(t, dir)
	before := r.judge.board.View().Equipment[0]
	serve := func(r *fakeRoom) string {
		h := panel.New(r.judge.board, panel.Options{Acts: r.judge, Services: r.judge, People: []exporter.Person{{ID: "n.quill", Name: "Niamh Quill"}}}).Handler()
		server := httptest.NewServer(h)
		t.Cleanup(server.Close)
		return server.URL
	}
	at := serve(r)
	for _, tt := range []struct {
		line string
		code int
		want string
	}{
		{"serviced compressor oil --by n.quill --reason black~oil", exitGood, "oil of compressor: done by Niamh Quill, next after 1 h of running"},
		{"serviced compressor oyl --by n.quill", exitWrong, `there is no such service as "oyl" of compressor; there are ["oil" "filter"]`},
		{"serviced compresor oil --by n.quill", exitWrong, `there is no such equipment as "compresor"`},
		{"serviced compressor oil --by n.quil", exitWrong, `there is no person "n.quil"`},
		{"serviced compressor oil", exitUsage, "--by is missing"},
		{"serviced compressor", exitUsage, "SERVICE is missing"},
	} {
		code, out, errs := typed(tt.line + " --at " + at)
		if code != tt.code || !strings.Contains(out+errs, tt.want) {
			t.Errorf("%s: exit %d, %s%s; want %d and %q", tt.line, code, out, errs, tt.code, tt.want)
		}
	}
	if !r.told(record.Serviced, "oil of compressor, after 0.4 h of running in all, black oil Niamh Quill") {
		t.Error("the journal does not tell the service")
	}
	r.stop()
	r = openRoom(t, dir)
	defer r.stop()
	after := r.judge.board.View().Equipment[0]
	if before.Services[0].DueSeconds > 2300 || after.Services[0].DueSeconds != 3600 || after.Services[0].LastWho != "Niamh Quill" || after.Services[1].DueSeconds != before.Services[1].DueSeconds {
		t.Errorf("before %+v, after %+v", before.Services, after.Services)
	}
}
