package metrics_test

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus/testutil"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"roundsman/collector"
	"roundsman/collector/outsidetest"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/metrics"
	"roundsman/rules"
)

const (
	plainText   = "text/plain;version=0.0.4"
	openMetrics = "application/openmetrics-text;version=1.0.0"
	protobuf    = "application/vnd.google.protobuf;proto=io.prometheus.client.MetricFamily;encoding=delimited"
)

// scrape asks the handler as a server would and returns the answer's body.
func scrape(t *testing.T, h http.Handler, accept string) string {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, "/metrics", nil)
	r.Header.Set("Accept", accept)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		t.Fatalf("GET /metrics: %d: %s", w.Code, w.Body)
	}
	return w.Body.String()
}

// parse reads the text format by the reference library.
func parse(t *testing.T, text string) map[string]*dto.MetricFamily {
	t.Helper()
	p := expfmt.NewTextParser(model.LegacyValidation)
	families, err := p.TextToMetricFamilies(strings.NewReader(text))
	if err != nil {
		t.Fatalf("the reference parser refuses the page: %v\n%s", err, text)
	}
	return families
}

// sample returns the value of the sample line that begins so, or reports that there is none.
func sample(text, series string) (value string, found bool) {
	for line := range strings.Lines(text) {
		if rest, ok := strings.CutPrefix(line, series+" "); ok {
			return strings.TrimSpace(rest), true
		}
	}
	return "", false
}

// site returns a board of one point with one reading, and its clock's moment.
func onePoint(p collector.Point, r collector.Reading) *exporter.Board {
	clock := collector.NewClock()
	now := clock.Now()
	if r.At == 0 {
		r.At = now
	}
	return exporter.NewBoard(clock, &exporter.View{Site: &exporter.Site{Points: []collector.Point{p}}, At: now, Readings: []collector.Reading{r}})
}

func saturday() *exporter.Board {
	clock := collector.NewClock()
	return exporter.NewBoard(clock, exportertest.Saturday(clock).View())
}

func TestLint(t *testing.T) {
	problems, err := testutil.GatherAndLint(metrics.New(saturday(), metrics.Build{Version: "1.0"}))
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

// TestLinesAreTheLibrarys compares the pages written from ready lines with what
// the format's own library writes of the same families.
func TestLinesAreTheLibrarys(t *testing.T) {
	clock := collector.NewClock()
	room := exportertest.Saturday(clock)
	odd := []float64{0, math.Copysign(0, -1), 1, -1, 0.1, 1e-9, -0.004, 999999, 1e6, 1234567.891, 1e21, 0.1 + 0.2, math.MaxFloat64, 5e-324, -273.15, 0.0005}
	for i, v := range odd {
		room.Set(room.Site().Points[i].Name, v)
	}
	m := metrics.New(exporter.NewBoard(clock, room.View()), metrics.Build{Version: `1"2\3`})
	families, err := m.Gather()
	if err != nil {
		t.Fatal(err)
	}
	h := m.Handler()
	for _, accept := range []string{plainText, openMetrics} {
		format := expfmt.NegotiateAccept(http.Header{"Accept": {accept}}, expfmt.DefaultOpenMetricsAcceptedFormats()...)
		var want bytes.Buffer
		enc := expfmt.NewEncoder(&want, format)
		for _, f := range families {
			if err := enc.Encode(f); err != nil {
				t.Fatal(err)
			}
		}
		if err := enc.(expfmt.Closer).Close(); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(lines(want.String()), lines(scrape(t, h, accept))); diff != "" {
			t.Errorf("%s: (-library +ours)\n%s", accept, diff)
		}
	}
}

// lines returns the room's own lines but for the ages, which go on between two looks.
func lines(page string) []string {
	list := strings.Split(page, "\n")
	return slices.DeleteFunc(list, func(l string) bool {
		l = strings.TrimPrefix(strings.TrimPrefix(strings.TrimPrefix(l, "# HELP "), "# TYPE "), "# UNIT ")
		return strings.HasPrefix(l, "roundsman_point_age_seconds{") || strings.HasPrefix(l, "go_") || strings.HasPrefix(l, "process_")
	})
}

// TestEscapes holds the page against the worked rules of the two format
// specifications: label values escape backslash, quote and line feed.
func TestEscapes(t *testing.T) {
	board := onePoint(collector.Point{Name: "a\\b\"c\nd", Station: "bad \xff utf-8"}, collector.Reading{Value: 5, Quality: collector.Good})
	h := metrics.New(board, metrics.Build{}).Handler()
	for accept, want := range map[string]string{
		plainText:   `roundsman_value{point="a\\b\"c\nd",station="bad ` + "\uFFFD" + ` utf-8"} 5`,
		openMetrics: `roundsman_value{point="a\\b\"c\nd",station="bad ` + "\uFFFD" + ` utf-8"} 5.0`,
	} {
		page := scrape(t, h, accept)
		if !strings.Contains(page, want+"\n") {
			t.Errorf("%s: no line %s in\n%s", accept, want, page)
		}
	}
}

// TestOpenMetrics checks rules of the OpenMetrics 1.0 specification that a text
// comparison alone would not show.
func TestOpenMetrics(t *testing.T) {
	page := scrape(t, metrics.New(saturday(), metrics.Build{Version: "1.0"}).Handler(), openMetrics)
	if !strings.HasSuffix(page, "\n# EOF\n") || strings.Count(page, "# EOF") != 1 {
		t.Errorf("the page does not end with one # EOF")
	}
	if strings.Contains(page, "\r") || strings.Contains(page, "NaN") {
		t.Errorf("a carriage return or NaN on the page")
	}
	for _, want := range []string{
		"# TYPE roundsman_run_seconds counter\n# UNIT roundsman_run_seconds seconds\n",
		"roundsman_run_seconds_total{equipment=\"air.compressor\"} 5000.0\n",
		"# UNIT roundsman_pressure_pascals pascals\n",
		"# UNIT roundsman_conductivity_siemens_per_meter siemens_per_meter\n",
		"# TYPE roundsman_link_request_duration_seconds histogram\n",
		"roundsman_link_request_duration_seconds_bucket{link=\"plc\",le=\"0.002\"} 136800\n",
		"roundsman_link_request_duration_seconds_bucket{link=\"plc\",le=\"+Inf\"} 136804\n",
		"roundsman_link_request_duration_seconds_count{link=\"plc\"} 136804\n",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("not on the page: %q", want)
		}
	}
	checkUnits(t, page)
	checkGrouping(t, page)
}

// checkUnits: a UNIT is the end of its family's name after an underscore.
func checkUnits(t *testing.T, page string) {
	t.Helper()
	n := 0
	for line := range strings.Lines(page) {
		if f := strings.Fields(line); len(f) == 4 && f[1] == "UNIT" {
			n++
			if !strings.HasSuffix(f[2], "_"+f[3]) {
				t.Errorf("unit is no suffix: %s", line)
			}
		}
	}
	if n < 10 {
		t.Errorf("only %d UNIT lines", n)
	}
}

// checkGrouping: TYPE comes once and before the family's samples, which are not interleaved with others'.
func checkGrouping(t *testing.T, page string) {
	t.Helper()
	seen, current := map[string]bool{}, ""
	for line := range strings.Lines(page) {
		f := strings.Fields(line)
		switch {
		case f[0] == "#" && f[1] == "TYPE":
			if seen[f[2]] {
				t.Errorf("family %s comes twice", f[2])
			}
			current, seen[f[2]] = f[2], true
		case f[0] != "#" && !strings.HasPrefix(line, current):
			t.Errorf("sample of another family under %s: %s", current, line)
		}
	}
}

// TestForeignParser reads both pages with the Python reference parsers.
func TestForeignParser(t *testing.T) {
	python := outsidetest.Python(t, "python3-prometheus-client", "prometheus_client.openmetrics.parser")
	h := metrics.New(saturday(), metrics.Build{Version: "1.0"}).Handler()
	for _, c := range []struct{ accept, module string }{{plainText, "prometheus_client.parser"}, {openMetrics, "prometheus_client.openmetrics.parser"}} {
		script := "import sys\nfrom " + c.module + " import text_string_to_metric_families as parse\n" +
			"print(sum(len(f.samples) for f in parse(sys.stdin.read())))"
		cmd := exec.CommandContext(t.Context(), python, "-c", script)
		page := scrape(t, h, c.accept)
		cmd.Stdin = strings.NewReader(page)
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v\n%s", c.module, err, out)
		}
		want := 0
		for line := range strings.Lines(page) {
			if line[0] != '#' {
				want++
			}
		}
		if got := strings.TrimSpace(string(out)); got != fmt.Sprint(want) {
			t.Errorf("%s: read %s samples, want %d", c.module, got, want)
		}
	}
}

func TestValues(t *testing.T) {
	good := collector.Good
	for _, tt := range []struct {
		name   string
		point  collector.Point
		value  float64
		q      collector.Quality
		series string
		want   string // "" for no sample
	}{
		// Factors: NIST SP 811 (2008), appendix B.8 and B.9.
		{"bar", collector.Point{Unit: "bar"}, 7.62, good, "roundsman_pressure_pascals", "762000"},
		{"psi", collector.Point{Unit: "psi"}, 1, good, "roundsman_pressure_pascals", "6894.757293168362"},
		{"inH2O", collector.Point{Unit: "inH2O"}, 1, good, "roundsman_pressure_pascals", "249.08891"},
		{"degF", collector.Point{Unit: "degF"}, 212, good, "roundsman_temperature_celsius", "100"},
		{"gpm", collector.Point{Unit: "gpm"}, 60, good, "roundsman_flow_liters_per_second", "3.785411784"},
		{"kW", collector.Point{Unit: "kW"}, 7.5, good, "roundsman_power_watts", "7500"},
		{"mV", collector.Point{Unit: "mV"}, -250, good, "roundsman_voltage_volts", "-0.25"},
		{"mA", collector.Point{Unit: "mA"}, 4, good, "roundsman_current_amperes", "0.004"},
		{"kWh", collector.Point{Unit: "kWh", Kind: collector.Counter}, 2, good, "roundsman_energy_joules", "7.2e+06"},
		{"litres", collector.Point{Unit: "L", Kind: collector.Counter}, 482310, good, "roundsman_volume_liters", "482310"},
		{"FNU", collector.Point{Unit: "FNU"}, 34.2, good, "roundsman_turbidity_fnu", "34.2"},
		{"level, length", collector.Point{Name: "pit.level", Unit: "m"}, 1.2, good, "roundsman_level_meters", "1.2"},
		{"level, share", collector.Point{Name: "tank.level", Unit: "%"}, 50, good, "roundsman_level_ratio", "0.5"},
		{"share that is no level", collector.Point{Name: "load.factor", Unit: "%"}, 50, good, "roundsman_ratio", "0.5"},
		{"length that is no level", collector.Point{Name: "conveyor.way", Unit: "m"}, 3, good, "roundsman_length_meters", "3"},
		{"plain", collector.Point{}, 3, good, "roundsman_value", "3"},
		{"state", collector.Point{Kind: collector.State}, 1, good, "roundsman_state", "1"},
		{"words", collector.Point{Kind: collector.Text}, 1, good, "roundsman_value", ""},
		{"uncertain", collector.Point{Unit: "bar"}, 7, collector.Uncertain, "roundsman_pressure_pascals", ""},
		{"bad", collector.Point{Unit: "bar"}, 7, collector.Bad, "roundsman_pressure_pascals", ""},
		{"unread", collector.Point{Unit: "bar"}, 7, collector.Unread, "roundsman_pressure_pascals", ""},
		{"not a number", collector.Point{Unit: "bar"}, math.NaN(), good, "roundsman_pressure_pascals", ""},
		{"infinite", collector.Point{Unit: "bar"}, math.Inf(1), good, "roundsman_pressure_pascals", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if tt.point.Name == "" {
				tt.point.Name = "x"
			}
			tt.point.Station = "s"
			page := scrape(t, metrics.New(onePoint(tt.point, collector.Reading{Value: tt.value, Quality: tt.q}), metrics.Build{}).Handler(), plainText)
			got, found := sample(page, fmt.Sprintf(`%s{point=%q,station="s"}`, tt.series, tt.point.Name))
			if found != (tt.want != "") || !near(got, tt.want) {
				t.Errorf("%s = %q (there: %t), want %q", tt.series, got, found, tt.want)
			}
			if strings.HasPrefix(tt.series, "roundsman_level_") && found && !strings.Contains(page, "# HELP "+tt.series+" Level of the points") {
				t.Errorf("the help of %s does not call it a level", tt.series)
			}
			wantGood := "0"
			if tt.q == collector.Good {
				wantGood = "1"
			}
			if got, _ := sample(page, fmt.Sprintf("roundsman_point_good{point=%q}", tt.point.Name)); got != wantGood {
				t.Errorf("roundsman_point_good = %q, want %s", got, wantGood)
			}
			if _, found := sample(page, fmt.Sprintf("roundsman_point_age_seconds{point=%q}", tt.point.Name)); found != (tt.q != collector.Unread) {
				t.Errorf("an age is there: %t, quality %s", found, tt.q)
			}
		})
	}
}

// near reports whether two numbers are the same but for the rounding of one multiplication.
func near(got, want string) bool {
	g, err1 := strconv.ParseFloat(got, 64)
	w, err2 := strconv.ParseFloat(want, 64)
	return got == want || err1 == nil && err2 == nil && math.Abs(g-w) <= 2e-16*math.Abs(w)
}

// TestAge: an age counts from the reading, and a device's clock that runs ahead makes none below zero.
func TestAge(t *testing.T) {
	clock := collector.NewClock()
	for _, tt := range []struct {
		ago      time.Duration
		min, max float64
	}{{time.Hour, 3600, 3660}, {-time.Hour, 0, 0}} {
		board := onePoint(collector.Point{Name: "x"}, collector.Reading{Quality: collector.Bad, At: clock.Now().Add(-tt.ago)})
		families := parse(t, scrape(t, metrics.New(board, metrics.Build{}).Handler(), plainText))
		age := families["roundsman_point_age_seconds"].Metric[0].GetGauge().GetValue()
		if age < tt.min || age > tt.max {
			t.Errorf("%v ago: age %v, want %v to %v", tt.ago, age, tt.min, tt.max)
		}
	}
}

func TestAlarms(t *testing.T) {
	for _, tt := range []struct {
		state           rules.State
		active          bool
		wantActive, ack string
	}{
		{rules.Normal, false, "0", "0"},
		{rules.Unacknowledged, true, "1", "1"},
		{rules.Acknowledged, true, "1", "0"},
		{rules.ReturnUnacknowledged, false, "0", "1"},
		{rules.LatchUnacknowledged, false, "0", "1"},
		{rules.LatchAcknowledged, false, "0", "0"},
		{rules.Shelved, true, "0", "0"},
		{rules.SuppressedByDesign, true, "0", "0"},
		{rules.OutOfService, true, "0", "0"},
	} {
		clock := collector.NewClock()
		room := exportertest.Ardenmoor(clock)
		s := room.Alarm("air-low", tt.state, time.Minute)
		s.Active, s.Activations = tt.active, 7
		page := scrape(t, metrics.New(exporter.NewBoard(clock, room.View()), metrics.Build{}).Handler(), plainText)
		for series, want := range map[string]string{
			`roundsman_alarm_active{alarm="air-low",point="air.header.pressure",priority="high"}`:         tt.wantActive,
			`roundsman_alarm_unacknowledged{alarm="air-low",point="air.header.pressure",priority="high"}`: tt.ack,
			`roundsman_alarm_activations_total{alarm="air-low"}`:                                          "7",
		} {
			if got, _ := sample(page, series); got != want {
				t.Errorf("state %d: %s = %q, want %s", tt.state, series, got, want)
			}
		}
	}
}

func TestLinksAndMachines(t *testing.T) {
	clock := collector.NewClock()
	room := exportertest.Saturday(clock)
	room.Equipment(1).Known = false
	page := scrape(t, metrics.New(exporter.NewBoard(clock, room.View()), metrics.Build{Version: "1.2", Commit: "abc", Go: "go1.26"}).Handler(), plainText)
	for series, want := range map[string]string{
		`roundsman_link_up{link="plc"}`:                                                   "1",
		`roundsman_link_up{link="meters"}`:                                                "0",
		`roundsman_link_requests_total{link="plc",outcome="answered"}`:                    "136800",
		`roundsman_link_requests_total{link="plc",outcome="timed_out"}`:                   "4",
		`roundsman_link_request_duration_seconds_sum{link="plc"}`:                         "97.3",
		`roundsman_run_seconds_total{equipment="hyd.pump.1"}`:                             "12321",
		`roundsman_starts_total{equipment="hyd.pump.1"}`:                                  "14",
		`roundsman_service_due_seconds{equipment="hyd.pump.1",service="oil sample"}`:      "-7200",
		`roundsman_running{equipment="air.compressor"}`:                                   "1",
		`roundsman_build_info{commit="abc",goversion="go1.26",version="1.2"}`:             "1",
		`roundsman_state{point="air.compressor.fault",station="air"}`:                     "1",
		`roundsman_pressure_pascals{point="air.header.pressure",station="air"}`:           "521000",
		`roundsman_temperature_celsius{point="hyd.oil.temperature",station="hydraulics"}`: "71.4",
	} {
		if got, _ := sample(page, series); got != want {
			t.Errorf("%s = %q, want %s", series, got, want)
		}
	}
	for _, absent := range []string{`roundsman_running{equipment="hyd.pump.1"}`, `roundsman_level_ratio{point="hyd.reservoir.level",station="hydraulics"}`,
		`roundsman_level_meters{point="fresh.tank.level",station="fresh"}`} {
		if got, found := sample(page, absent); found {
			t.Errorf("%s = %s, want no sample", absent, got)
		}
	}
	families := parse(t, page)
	for _, name := range []string{"go_goroutines", "process_start_time_seconds"} {
		if families[name] == nil {
			t.Errorf("no family %s", name)
		}
	}
}

// TestAbsentAgain: a value that was there goes when its reading does, and comes back.
func TestAbsentAgain(t *testing.T) {
	clock := collector.NewClock()
	room := exportertest.Ardenmoor(clock)
	board := exporter.NewBoard(clock, room.View())
	h := metrics.New(board, metrics.Build{}).Handler()
	const series = `roundsman_pressure_pascals{point="air.header.pressure",station="air"}`
	const running = `roundsman_running{equipment="air.compressor"}`
	for i, step := range []struct {
		do   func()
		want string
	}{
		{func() {}, "762000"},
		{func() {
			room.Fail("air.header.pressure", collector.SignalLow, 7.62, "")
			room.Equipment(0).Known = false
		}, ""},
		{func() {
			room.Set("air.header.pressure", 6)
			room.Equipment(0).Known = true
		}, "600000"},
	} {
		step.do()
		board.Publish(room.View())
		for _, accept := range []string{plainText, protobuf} { // the second goes through the library
			scrape(t, h, accept)
		}
		if got, _ := sample(scrape(t, h, plainText), series); got != step.want {
			t.Errorf("step %d: %q, want %q", i, got, step.want)
		}
		if _, found := sample(scrape(t, h, plainText), running); found != (step.want != "") {
			t.Errorf("step %d: running is told: %t", i, found)
		}
	}
}

// TestReload: a view of another site, or with another link, has its own families at once.
func TestReload(t *testing.T) {
	clock := collector.NewClock()
	room := exportertest.Ardenmoor(clock)
	board := exporter.NewBoard(clock, room.View())
	h := metrics.New(board, metrics.Build{}).Handler()
	scrape(t, h, plainText)
	v := room.View()
	v.Site = &exporter.Site{Points: []collector.Point{{Name: "new.pressure", Station: "new", Unit: "bar"}}, Rules: v.Site.Rules[:1]}
	v.Readings = v.Readings[:1]
	board.Publish(v)
	page := scrape(t, h, plainText)
	if got, _ := sample(page, `roundsman_pressure_pascals{point="new.pressure",station="new"}`); got != "762000" {
		t.Errorf("the new point reads %q, want 762000", got)
	}
	if strings.Contains(page, "hyd.oil") {
		t.Error("an old point is still there")
	}
	w := *v
	w.Links = append([]collector.LinkStatus{{Name: "another", Up: true}}, v.Links...)
	board.Publish(&w)
	if got, _ := sample(scrape(t, h, plainText), `roundsman_link_up{link="another"}`); got != "1" {
		t.Errorf("the new link is %q, want 1", got)
	}
}

// TestDoubles: doubled names cost themselves, not the page.
func TestDoubles(t *testing.T) {
	p := collector.Point{Name: "x", Station: "s", Unit: "bar"}
	clock := collector.NewClock()
	v := &exporter.View{At: clock.Now(), Site: &exporter.Site{Points: []collector.Point{p, p},
		Rules: []rules.Rule{{Name: "a"}, {Name: "a"}}}, Links: []collector.LinkStatus{{Name: "l"}, {Name: "l"}},
		Readings: []collector.Reading{{Value: 1, Quality: collector.Good, At: 1}, {Value: 2, Quality: collector.Good, At: 1}}}
	h := metrics.New(exporter.NewBoard(clock, v), metrics.Build{}).Handler()
	families := parse(t, scrape(t, h, plainText))
	if n := len(families["roundsman_pressure_pascals"].Metric); n != 1 {
		t.Errorf("%d series of one name, want 1", n)
	}
	scrape(t, h, openMetrics)
	scrape(t, h, protobuf)
}

func TestProtobufAndNames(t *testing.T) {
	h := metrics.New(saturday(), metrics.Build{}).Handler()
	body := scrape(t, h, protobuf)
	d := expfmt.NewDecoder(strings.NewReader(body), expfmt.NewFormat(expfmt.TypeProtoDelim))
	n := 0
	for {
		var f dto.MetricFamily
		err := d.Decode(&f)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		n++
	}
	if n < 20 {
		t.Errorf("only %d families", n)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics?name[]=roundsman_link_up", nil))
	families := parse(t, w.Body.String())
	if len(families) != 1 || families["roundsman_link_up"] == nil {
		t.Errorf("asked for one family, got %d", len(families))
	}
}

func TestGzip(t *testing.T) {
	h := metrics.New(saturday(), metrics.Build{}).Handler()
	for accept, want := range map[string]string{"gzip": "gzip", "deflate, gzip;q=1.0, *;q=0.5": "gzip", "gzip;q=0": "", "br": "", "": ""} {
		r := httptest.NewRequest(http.MethodGet, "/metrics", nil)
		r.Header.Set("Accept-Encoding", accept)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if got := w.Header().Get("Content-Encoding"); got != want {
			t.Errorf("Accept-Encoding %q: %q, want %q", accept, got, want)
			continue
		}
		var body io.Reader = w.Body
		if want == "gzip" {
			z, err := gzip.NewReader(body)
			if err != nil {
				t.Fatal(err)
			}
			body = z
		}
		page, err := io.ReadAll(body)
		if err != nil || !strings.Contains(string(page), "roundsman_link_up") {
			t.Errorf("Accept-Encoding %q: err %v, %d bytes", accept, err, len(page))
		}
	}
}

// stuck is a client that takes nothing until it is let go.
type stuck struct {
	*httptest.ResponseRecorder
	writing chan<- bool
	release <-chan bool
}

func (s stuck) Write(b []byte) (int, error) {
	s.writing <- true
	<-s.release
	return s.ResponseRecorder.Write(b)
}

// TestStuckClients: two clients that do not read hold up neither a publish nor
// the lock, the third scrape is refused, and when they go on all is well.
func TestStuckClients(t *testing.T) {
	clock := collector.NewClock()
	room := exportertest.Ardenmoor(clock)
	board := exporter.NewBoard(clock, room.View())
	m := metrics.New(board, metrics.Build{})
	h := m.Handler()
	writing, release := make(chan bool), make(chan bool)
	var wg sync.WaitGroup
	for range 2 {
		wg.Go(func() {
			h.ServeHTTP(stuck{httptest.NewRecorder(), writing, release}, httptest.NewRequest(http.MethodGet, "/metrics", nil))
		})
		<-writing
	}
	board.Publish(room.View())
	if _, err := m.Gather(); err != nil { // the lock is free
		t.Error(err)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	if w.Code != http.StatusServiceUnavailable {
		t.Errorf("third scrape: %d, want 503", w.Code)
	}
	close(release)
	wg.Wait()
	scrape(t, h, plainText)
}

// TestTogether is for the race detector: scrapes of every kind while views are published.
func TestTogether(t *testing.T) {
	clock := collector.NewClock()
	room := exportertest.Ardenmoor(clock)
	board := exporter.NewBoard(clock, room.View())
	m := metrics.New(board, metrics.Build{})
	h := m.Handler()
	var wg sync.WaitGroup
	for _, accept := range []string{plainText, openMetrics, protobuf} {
		wg.Go(func() {
			for range 20 {
				r := httptest.NewRequest(http.MethodGet, "/metrics", nil)
				r.Header.Set("Accept", accept)
				h.ServeHTTP(httptest.NewRecorder(), r)
			}
		})
	}
	wg.Go(func() {
		for range 20 {
			if _, err := m.Gather(); err != nil {
				t.Error(err)
			}
		}
	})
	for i := range 200 {
		room.Set("air.header.pressure", float64(i))
		v := room.View()
		if i%50 == 0 {
			site := *v.Site
			v.Site = &site
		}
		board.Publish(v)
	}
	wg.Wait()
}
