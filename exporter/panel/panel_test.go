package panel_test

import (
	"encoding/json"
	"io"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // whatever the machine has

	"github.com/google/go-cmp/cmp"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
	"roundsman/rules"
)

// get asks a panel over the room's present view.
func get(t *testing.T, h http.Handler, target string) *httptest.ResponseRecorder {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, target, nil))
	return w
}

// page returns a page that must be there.
func page(t *testing.T, h http.Handler, target string) string {
	t.Helper()
	w := get(t, h, target)
	if w.Code != http.StatusOK || w.Header().Get("Content-Type") != "text/html; charset=utf-8" {
		t.Fatalf("GET %s: %d, %s\n%s", target, w.Code, w.Header().Get("Content-Type"), w.Body)
	}
	return w.Body.String()
}

func handler(room *exportertest.Room, clock *collector.Clock) http.Handler {
	return panel.New(exporter.NewBoard(clock, room.View()), panel.Options{}).Handler()
}

func quiet() (*exportertest.Room, *collector.Clock) {
	clock := collector.NewClock()
	return exportertest.Ardenmoor(clock), clock
}

func saturday() http.Handler {
	clock := collector.NewClock()
	return handler(exportertest.Saturday(clock), clock)
}

// words returns a page's text as a person reads it, without marks and with single spaces.
func words(html string) string {
	var b strings.Builder
	for part := range strings.SplitSeq(html, "<") {
		_, text, _ := strings.Cut(part, ">")
		b.WriteString(text + " ")
	}
	return strings.Join(strings.Fields(strings.NewReplacer("&#39;", "'", "\u00a0", " ").Replace(b.String())), " ")
}

func has(t *testing.T, text string, wants ...string) {
	t.Helper()
	for _, w := range wants {
		if !strings.Contains(text, w) {
			t.Errorf("not on the page: %q", w)
		}
	}
	if t.Failed() {
		t.Logf("the page: %s", text)
	}
}

func hasNot(t *testing.T, text string, unwanted ...string) {
	t.Helper()
	for _, w := range unwanted {
		if strings.Contains(text, w) {
			t.Errorf("on the page, and must not be: %q", w)
		}
	}
}

const caution = "Watches only. Not a safety device. Isolate and release stored air and oil pressure by your lock-out procedure before touching anything."

func TestQuietSheet(t *testing.T) {
	room, clock := quiet()
	html := page(t, handler(room, clock), "/")
	has(t, words(html), "All quiet 73 of 73 readings good", "Header pressure", "7.62 bar", "limits: low-low 4.80 bar, low 5.50 bar",
		"Oil temperature", "48.3 °C", "Wash open", "Compressor running", "Emergency stop healthy", "Compressor fault none", "12.4 µS/cm",
		"plc up since", "modbus tcp 10.0.4.10:502", caution, "Hydraulic pump 2 stopped", "+ 1 min 35 s not seen")
	hasNot(t, html, "alarmed", "class=\"row bad", "Standing", "style=")
}

func TestSaturdaySheet(t *testing.T) {
	html := page(t, saturday(), "/")
	text := words(html)
	has(t, text, "4 alarms, 2 of high priority", "43 of 73 readings good; 1 link not right, 29 readings lost, 1 reading doubted",
		"Air low high priority Air, header pressure : 5.21 bar , below 5.50 bar since", "Stop loading. Check the compressor is running",
		"Compressor fault high priority", "acknowledged by Aoife", "1 shelved, 1 suppressed by design",
		"bad : signal too low: 3.48 mA is below 3.6 mA, wire or sensor broken",
		"uncertain : changed faster than it can: fell 1.25 m in 30 s", "0.61 m", "bad : link down",
		"meters down since", "no such file or directory", "was below 15.0 kg", "returned unacknowledged")
	hasNot(t, text, "All quiet", "Turbidity high low priority")
	if a, b := strings.Index(text, "Air low high"), strings.Index(text, "Oil hot low priority"); a > b {
		t.Error("the worst alarm does not come first")
	}
	if a, b := strings.Index(text, "Oil hot low priority"), strings.Index(text, "Drum presoak note"); a > b {
		t.Error("a returned alarm comes before one that is true")
	}
	_, level, _ := strings.Cut(html, `data-point="hyd.reservoir.level"`)
	level, _, _ = strings.Cut(level, "data-point=")
	hasNot(t, level, "needle")
	has(t, level, "–")
}

// TestNotQuiet: what was not looked at is no health.
func TestNotQuiet(t *testing.T) {
	for name, disturb := range map[string]func(*exportertest.Room){
		"a reading lost":       func(r *exportertest.Room) { r.Fail("air.dew.point", collector.SignalLow, 0, "") },
		"a reading doubted":    func(r *exportertest.Room) { r.Fail("air.dew.point", collector.TooFast, 5, "") },
		"a link down":          func(r *exportertest.Room) { r.Link(0).Up = false },
		"a unit not answering": func(r *exportertest.Room) { r.Link(1).Units = []collector.UnitStatus{{Unit: 5, Reason: "no answer"}} },
		"an alarm":             func(r *exportertest.Room) { r.Alarm("air-low", rules.Unacknowledged, 0) },
		"views that stopped":   func(r *exportertest.Room) { r.Pass(-time.Minute) },
	} {
		room, clock := quiet()
		disturb(room)
		hasNot(t, page(t, handler(room, clock), "/"), "All quiet")
		if t.Failed() {
			t.Fatal(name)
		}
	}
}

func TestOverdue(t *testing.T) {
	room, clock := quiet()
	room.Pass(-time.Hour)
	h := handler(room, clock)
	has(t, words(page(t, h, "/")), "Nothing new for 1 h", "the judging has stopped", "Look at the room.")
	if w := get(t, h, "/health"); w.Code != http.StatusServiceUnavailable {
		t.Errorf("/health: %d, want 503", w.Code)
	}
}

// TestSiteTime: pages tell site time. 2026-11-28 06:10 in Dublin is 06:10 UTC; in July it is 05:10.
func TestSiteTime(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	room, clock := quiet()
	v := room.View()
	site := *v.Site
	site.Zone = zone
	v.Site = &site
	v.At = clock.Moment(time.Date(2026, 7, 4, 5, 10, 5, 0, time.UTC))
	has(t, words(page(t, panel.New(exporter.NewBoard(clock, v), panel.Options{}).Handler(), "/")), "Saturday 4 July 2026, read at 06:10:05 Europe/Dublin")
}

// TestHostileNames: what comes from files and devices is text, never mark-up.
func TestHostileNames(t *testing.T) {
	room, clock := quiet()
	const bad = `<script>alert(1)</script>"'`
	room.Site().Name = bad
	room.Site().Points[0].Name, room.Site().Points[0].Station = bad, bad
	room.Site().Rules[1].Response = bad
	room.Alarm("air-low", rules.Unacknowledged, 0)
	room.Fail("air.dew.point", collector.BadPayload, 0, bad+"\x00\xff")
	room.Link(0).Up, room.Link(0).LastError = false, bad
	h := handler(room, clock)
	for _, path := range []string{"/", "/alarms", "/points/air.dew.point"} {
		hasNot(t, page(t, h, path), "<script>alert")
	}
}

func TestPointPage(t *testing.T) {
	h := saturday()
	has(t, words(page(t, h, "/points/air.header.pressure")), "Air: Header pressure", "5.21 bar", "link plc", "0.00 to 16.00 bar",
		"Air low high below 5.50 bar – unacknowledged", "deadband 0.30 bar on-delay 5 s off-delay 30 s time to respond 3 min",
		"Air low low high below 4.80 bar – normal", "Wraparounds may not retract", caution)
	has(t, words(page(t, h, "/points/hyd.reservoir.level")), "– %", "bad : signal too low: 3.48 mA is below 3.6 mA", "failure", "3480")
	has(t, words(page(t, h, "/points/air.dryer.outlet.pressure")), "No rule judges this point.")
	has(t, words(page(t, h, "/points/air.dryer.difference")), "computed")
}

func TestAlarmsPage(t *testing.T) {
	text := words(page(t, saturday(), "/alarms"))
	has(t, text, "Standing Air low", "Held back Turbidity high", "Reclaim, turbidity : not in alarm now (above 90.0 FNU)", "suppressed by design; backwash; since", "shelved by Aoife until", "door open for the delivery",
		"Quiet", "Air low low high Air, header pressure below 4.80 bar First: Stop the conveyor, clear the cars.")
	room, clock := quiet()
	has(t, words(page(t, handler(room, clock), "/alarms")), "Standing None.")
}

// TestEmpty: a view without anything is shown, not a crash.
func TestEmpty(t *testing.T) {
	clock := collector.NewClock()
	v := &exporter.View{Site: &exporter.Site{Points: []collector.Point{{Name: "x"}}, Rules: make([]rules.Rule, 1)}, At: clock.Now(),
		Alarms: []rules.Status{{Rule: 7, State: rules.Unacknowledged}, {Rule: -1}, {State: 99}}}
	h := panel.New(exporter.NewBoard(clock, v), panel.Options{}).Handler()
	for _, path := range []string{"/", "/alarms", "/points/x", "/api/v1/points", "/api/v1/alarms?state=all", "/health"} {
		if w := get(t, h, path); w.Code != http.StatusOK {
			t.Errorf("%s: %d\n%s", path, w.Code, w.Body)
		}
	}
	has(t, words(page(t, h, "/")), "0 of 1 readings good; 1 not read yet", "X not read yet")
}

func TestAPIPoints(t *testing.T) {
	room, clock := quiet()
	site := room.Site()
	v := room.View()
	site.Points = site.Points[:7]
	site.Points[5].Kind = collector.Text
	at := clock.Moment(time.Date(2026, 11, 28, 6, 10, 5, 250e6, time.UTC))
	v.Readings = []collector.Reading{
		{Value: 5.21, Quality: collector.Good, At: at},
		{Value: 4, Quality: collector.Uncertain, Fault: collector.TooFast, Detail: "fell 3 bar in 1 s", At: at},
		collector.Fail(2, collector.InputLost, 0, at, ""),
		{Value: math.NaN(), Quality: collector.Good, At: at},
		{Value: 20.4, Quality: collector.Good, Fault: collector.OverRange, At: at},
		{Text: "idle", Quality: collector.Good, At: at},
	}
	w := get(t, panel.New(exporter.NewBoard(clock, v), panel.Options{}).Handler(), "/api/v1/points")
	const want = `[
	{"point":"air.header.pressure","station":"air","value":5.21,"unit":"bar","quality":"good","reason":"","time":"2026-11-28T06:10:05.25Z"},
	{"point":"air.dryer.outlet.pressure","station":"air","value":4,"unit":"bar","quality":"uncertain","reason":"changed faster than it can: fell 3 bar in 1 s","time":"2026-11-28T06:10:05.25Z"},
	{"point":"air.dryer.difference","station":"air","value":null,"unit":"bar","quality":"bad","reason":"input lost","time":"2026-11-28T06:10:05.25Z"},
	{"point":"air.compressor.temperature","station":"air","value":null,"unit":"degC","quality":"good","reason":"","time":"2026-11-28T06:10:05.25Z"},
	{"point":"air.compressor.current","station":"air","value":20.4,"unit":"A","quality":"good","reason":"over range","time":"2026-11-28T06:10:05.25Z"},
	{"point":"air.compressor.hours","station":"air","value":"idle","unit":"h","quality":"good","reason":"","time":"2026-11-28T06:10:05.25Z"},
	{"point":"air.dew.point","station":"air","value":null,"unit":"degC","quality":"unread","reason":"not read yet","time":null}]`
	sameJSON(t, w, want)
}

// sameJSON compares an answer with the very text wanted, but for the space between.
func sameJSON(t *testing.T, w *httptest.ResponseRecorder, want string) {
	t.Helper()
	if w.Code != http.StatusOK || w.Header().Get("Content-Type") != "application/json" {
		t.Errorf("%d, %s", w.Code, w.Header().Get("Content-Type"))
	}
	want = strings.NewReplacer("\n", "", "\t", "").Replace(want)
	if diff := cmp.Diff(want, strings.TrimSpace(w.Body.String())); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

func TestAPIAlarms(t *testing.T) {
	clock := collector.NewClock()
	at := clock.Moment(time.Date(2026, 11, 28, 6, 10, 5, 0, time.UTC))
	v := &exporter.View{Site: &exporter.Site{
		Points: []collector.Point{{Name: "air.header.pressure", Station: "air", Unit: "bar", Digits: 2}, {ID: 1, Name: "mains.good", Kind: collector.State}},
		Rules: []rules.Rule{
			{Name: "air-low", Kind: rules.Low, Limit: 5.5, Priority: rules.HighPriority, Unit: "bar", Digits: 2, Response: "Stop loading."},
			{Name: "sensor-fault:air.header.pressure", Kind: rules.BadSignal, Priority: rules.LowPriority, Unit: "bar"},
			{Name: "mains-lost", Point: 1, Kind: rules.Equals, Priority: rules.HighPriority},
		}}, At: at,
		Alarms: []rules.Status{
			{Rule: 0, State: rules.Acknowledged, Active: true, Since: at + 9e9, Started: at, Value: 5.21, AcknowledgedBy: "Aoife"},
			{Rule: 1, State: rules.Unacknowledged, Active: true, Since: at, Started: at, Value: math.NaN()},
			{Rule: 2},
		}}
	h := panel.New(exporter.NewBoard(clock, v), panel.Options{}).Handler()
	const airLow = `{"alarm":"air-low","point":"air.header.pressure","state":"acknowledged","priority":"high","since":"2026-11-28T06:10:05Z",` +
		`"value":5.21,"limit":5.5,"unit":"bar","message":"air.header.pressure 5.21` + "\u00a0" + `bar, below 5.50` + "\u00a0" + `bar","response":"Stop loading.","acknowledgedBy":"Aoife"}`
	const fault = `{"alarm":"sensor-fault:air.header.pressure","point":"air.header.pressure","state":"unacknowledged","priority":"low","since":"2026-11-28T06:10:05Z",` +
		`"value":null,"limit":null,"unit":"bar","message":"air.header.pressure, reading bad","response":"","acknowledgedBy":""}`
	const mains = `{"alarm":"mains-lost","point":"mains.good","state":"normal","priority":"high","since":null,` +
		`"value":null,"limit":0,"unit":"","message":"mains.good, not good","response":"","acknowledgedBy":""}`
	for query, want := range map[string]string{
		"":                                   "[" + airLow + "," + fault + "]",
		"?state=acknowledged":                "[" + airLow + "]",
		"?state=normal":                      "[" + mains + "]",
		"?state=shelved":                     "[]",
		"?state=latched":                     "[]",
		"?state=active":                      "[" + airLow + "," + fault + "]",
		"?state=normal,unacknowledged":       "[" + fault + "," + mains + "]",
		"?state=normal&state=Unacknowledged": "[" + fault + "," + mains + "]",
		"?state=returned-unacknowledged":     "[]",
		"?state=all":                         "[" + airLow + "," + fault + "," + mains + "]",
	} {
		t.Run(query, func(t *testing.T) { sameJSON(t, get(t, h, "/api/v1/alarms"+query), want) })
	}
}

// TestProblems: errors are problem documents of RFC 9457.
func TestProblems(t *testing.T) {
	h := saturday()
	for _, tt := range []struct {
		method, target string
		status         int
		detail         string
	}{
		{"GET", "/points/no.such.point", 404, `there is no point "no.such.point"`},
		{"GET", "/nowhere", 404, "there is nothing at /nowhere"},
		{"GET", "/assets/frame.html", 404, "there is nothing at /assets/frame.html"},
		{"GET", "/assets/..%2fpages.go", 404, "there is nothing at /assets/../pages.go"},
		{"GET", "/api/v1/alarms?state=loud", 400, `state: no such state as "loud"; there are all, active, normal, unacknowledged, acknowledged, ` +
			`returned unacknowledged, latched unacknowledged, latched acknowledged, shelved, suppressed by design, out of service`},
		{"POST", "/", 405, "/ is only read"},
		{"DELETE", "/api/v1/points", 405, "/api/v1/points is only read"},
	} {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(tt.method, tt.target, nil))
		var got struct {
			Type, Title, Detail string
			Status              int
		}
		if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
			t.Errorf("%s %s: %v: %s", tt.method, tt.target, err, w.Body)
			continue
		}
		if w.Code != tt.status || got.Status != tt.status || got.Detail != tt.detail || got.Title != http.StatusText(tt.status) ||
			got.Type != "about:blank" || w.Header().Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s %s: %d, %s, %+v, want %d %q", tt.method, tt.target, w.Code, w.Header().Get("Content-Type"), got, tt.status, tt.detail)
		}
		if allow := w.Header().Get("Allow"); (allow == "GET, HEAD") != (tt.status == 405) {
			t.Errorf("%s %s: Allow %q", tt.method, tt.target, allow)
		}
	}
}

// TestHeaders: every answer forbids foreign and inline scripts, framing and guessing of types.
func TestHeaders(t *testing.T) {
	h := saturday()
	for _, path := range []string{"/", "/alarms", "/health", "/api/v1/points", "/nowhere", "/assets/sheet.css", "/assets/live.js"} {
		w := get(t, h, path)
		csp := w.Header().Get("Content-Security-Policy")
		if !strings.Contains(csp, "default-src 'none'") || !strings.Contains(csp, "script-src 'self';") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: policy %q", path, csp)
		}
		if w.Header().Get("X-Content-Type-Options") != "nosniff" || w.Header().Get("X-Frame-Options") != "DENY" {
			t.Errorf("%s: headers %v", path, w.Header())
		}
	}
	for path, kind := range map[string]string{"/assets/sheet.css": "text/css", "/assets/live.js": "text/javascript"} {
		if w := get(t, h, path); w.Code != 200 || !strings.HasPrefix(w.Header().Get("Content-Type"), kind) || w.Body.Len() < 1000 {
			t.Errorf("%s: %d, %s, %d bytes", path, w.Code, w.Header().Get("Content-Type"), w.Body.Len())
		}
	}
}

// TestServer asks over a real connection: HEAD has no body, and a foreign name on
// a loopback address is refused (a rebound DNS name must not read the panel).
func TestServer(t *testing.T) {
	room, clock := quiet()
	board := exporter.NewBoard(clock, room.View())
	server := httptest.NewServer(panel.New(board, panel.Options{Hosts: []string{"wash.example"}}).Handler())
	defer server.Close()
	_, port, err := net.SplitHostPort(server.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		method, host string
		status       int
	}{
		{"GET", "", 200}, {"HEAD", "", 200}, {"GET", "localhost:" + port, 200}, {"GET", "LOCALHOST.", 200}, {"GET", "[::1]:9480", 200},
		{"GET", "wash.example", 200}, {"GET", "evil.example:" + port, 421}, {"GET", "127.0.0.1.evil.example", 421}, {"GET", "192.0.2.1", 421},
	} {
		for _, path := range []string{"/", "/api/v1/points"} {
			r, err := http.NewRequestWithContext(t.Context(), tt.method, server.URL+path, nil)
			if err != nil {
				t.Fatal(err)
			}
			r.Host = tt.host
			resp, err := server.Client().Do(r)
			if err != nil {
				t.Fatal(err)
			}
			body, err := io.ReadAll(resp.Body)
			resp.Body.Close()
			if err != nil || resp.StatusCode != tt.status || (len(body) == 0) != (tt.method == "HEAD") {
				t.Errorf("%s %s of %q: %d with %d bytes, %v; want %d", tt.method, path, tt.host, resp.StatusCode, len(body), err, tt.status)
			}
		}
	}
}

func TestHealth(t *testing.T) {
	clock := collector.NewClock()
	room := exportertest.Saturday(clock)
	alive := true
	h := panel.New(exporter.NewBoard(clock, room.View()), panel.Options{Parts: func() []panel.Part {
		return []panel.Part{{Name: "rules", Alive: true}, {Name: "link plc", Alive: alive, Detail: "polling"}}
	}}).Handler()
	type health struct {
		Alive bool
		Parts []struct {
			Part   string
			Alive  bool
			Detail string
		}
		Links []struct {
			Link, Error string
			Up          bool
			Units       []struct{ Unit int }
		}
	}
	for _, alive = range []bool{true, false} {
		w := get(t, h, "/health")
		var got health
		if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
			t.Fatal(err)
		}
		want := http.StatusOK // although a link is down: that is no fault of the daemon
		if !alive {
			want = http.StatusServiceUnavailable
		}
		if w.Code != want || got.Alive != alive || len(got.Parts) != 3 || got.Parts[1].Alive != alive || got.Parts[1].Part != "link plc" {
			t.Errorf("part alive %t: %d, %s", alive, w.Code, w.Body)
		}
		if len(got.Links) != 3 || got.Links[0].Up != true || got.Links[1].Up || got.Links[1].Error == "" || len(got.Links[1].Units) != 3 {
			t.Errorf("links: %s", w.Body)
		}
	}
}
