package main

import (
	"fmt"
	"strings"
)

// row is one promise and the metric that shows it.
type row struct {
	work  string
	suite suite
	bench string // whole name, with the sub-benchmark
	unit  string // of the metric that is held against the goal
	goal  goal
}

// suite is one run of a test binary: a package and an exact pattern.
type suite struct {
	dir, pattern string
	time, quick  string // -benchtime; quick with --short
}

// goal is a bound; none is shown for information only.
type goal struct {
	op    string // "<=", ">=" or "" for none
	limit float64
	unit  string
}

func most(limit float64, unit string) goal  { return goal{"<=", limit, unit} }
func least(limit float64, unit string) goal { return goal{">=", limit, unit} }

func (g goal) String() string {
	if g.op == "" {
		return ""
	}
	return strings.TrimSpace(fmt.Sprintf("%s %s %s", g.op, figure(g.limit), g.unit))
}

func (g goal) holds(v float64) bool {
	switch g.op {
	case "<=":
		return v <= g.limit
	case ">=":
		return v >= g.limit
	}
	return true
}

// The suites. A turn of the slow ones takes seconds, so theirs is a number of turns.
var (
	tcp      = suite{"collector/modbus", "^BenchmarkTCP$", "3s", "1s"}
	tcp16    = suite{"collector/modbus", "^BenchmarkTCP16$", "4s", "1s"}
	serial   = suite{"collector/modbus", "^BenchmarkSerial$", "2s", "700ms"}
	plan     = suite{"collector/plan", "^(BenchmarkOptimum|BenchmarkDemoLine)$", "1s", "300ms"}
	oneRule  = suite{"rules", "^BenchmarkOneRule$", "2s", "1s"}
	broker   = suite{"collector/mqtt", "^BenchmarkLinkAgainstBareHandler$", "4s", "2s"}
	scrape   = suite{"exporter/metrics", "^BenchmarkScrape1000$", "1s", "400ms"}
	packed   = suite{"exporter/record/pack", "^BenchmarkOpenData$", "1x", "1x"}
	readings = suite{"exporter/record", "^BenchmarkReadings$", "1x", "1x"}
	year     = suite{"exporter/record", "^BenchmarkYear$", "50x", "20x"}
	duty     = suite{"exporter/record", "^BenchmarkYearOfDuty$", "50x", "20x"}
	crossing = suite{"exporter/callout/outbox", "^BenchmarkCrossingToChannel$", "400x", "200x"}
	burden   = suite{"cmd/roundsman", "^BenchmarkBurden$", "1x", "1x"}
	spaced   = suite{"cmd/roundsman", "^BenchmarkBurdenSpaced$", "1x", "1x"}
	memory   = suite{"cmd/roundsman", "^BenchmarkResident$", "1x", "1x"}
	perPoint = suite{"cmd/roundsman", "^BenchmarkResidentGrowth$", "1x", "1x"}
	start    = suite{"cmd/roundsman", "^BenchmarkStart$", "10x", "4x"}
	engine   = suite{"rules", "^BenchmarkGrowth$", "1s", "300ms"}
	judge    = suite{"cmd/roundsman", "^BenchmarkGrowth$", "100x", "30x"}
	links    = suite{"collector/modbus", "^BenchmarkGrowth$", "2s", "500ms"}
	biggest  = suite{"cmd/roundsman", "^BenchmarkSmallBox$", "1x", "1x"}
	restart  = suite{"cmd/roundsman", "^BenchmarkRestart$", "5x", "2x"}
)

// table holds every row of the promise, in its order. A row without a goal stands beside the one it explains.
var table = []row{
	{"Modbus TCP rounds / bare loop of the library, one link", tcp, "BenchmarkTCP", "ours/bare", least(0.97, "")},
	{"the same over 16 servers at once", tcp16, "BenchmarkTCP16", "ours/bare", least(0.95, "")},
	{"p99 of a round there / of the bare loop's", tcp16, "BenchmarkTCP16", "p99/bare", most(1.2, "")},
	{"serial transaction / minimum, 9 600, 1 register", serial, "BenchmarkSerial/baud=9600/registers=1", "x-minimum-p10", most(1.03, "")},
	{"9 600, 10 registers", serial, "BenchmarkSerial/baud=9600/registers=10", "x-minimum-p10", most(1.03, "")},
	{"9 600, exception", serial, "BenchmarkSerial/baud=9600/exception", "x-minimum-p10", most(1.03, "")},
	{"19 200, 1 register", serial, "BenchmarkSerial/baud=19200/registers=1", "x-minimum-p10", most(1.03, "")},
	{"19 200, 10 registers", serial, "BenchmarkSerial/baud=19200/registers=10", "x-minimum-p10", most(1.03, "")},
	{"19 200, exception", serial, "BenchmarkSerial/baud=19200/exception", "x-minimum-p10", most(1.03, "")},
	{"115 200, 1 register", serial, "BenchmarkSerial/baud=115200/registers=1", "x-minimum-p10", most(1.12, "")},
	{"115 200, 10 registers", serial, "BenchmarkSerial/baud=115200/registers=10", "x-minimum-p10", most(1.12, "")},
	{"115 200, exception", serial, "BenchmarkSerial/baud=115200/exception", "x-minimum-p10", most(1.12, "")},
	{"round plan / optimum by brute force", plan, "BenchmarkOptimum", "worst-plan/optimum", most(1.0005, "")},
	{"demo's serial line / one read per point", plan, "BenchmarkDemoLine", "planned/each", most(0.35, "")},
	{"one rule on one reading", oneRule, "BenchmarkOneRule", "ns/rule", most(20, "ns")},
	{"compiled expression / one rule", oneRule, "BenchmarkOneRule", "x-expr-struct", least(15, "")},
	{"MQTT readings a second / bare handler", broker, "BenchmarkLinkAgainstBareHandler", "median-link/bare", least(0.9, "")},
	{"/metrics at 1,000 points / 1,000 plain gauges", scrape, "BenchmarkScrape1000/text/vectors", "ours/plain", most(0.35, "")},
	{"the same, a family a gauge", scrape, "BenchmarkScrape1000/text/families", "ours/plain", most(0.35, "")},
	{"record: kept, the worst of the open data", packed, "BenchmarkOpenData", "B/reading-worst", most(2, "B a reading")},
	{"record: kept / entropy of the differences, the worst", packed, "BenchmarkOpenData", "x-entropy-worst", most(1.4, "")},
	{"record: written to disk", readings, "BenchmarkReadings", "B-written/reading", most(20, "B a reading")},
	{"record: durable readings a second / rows", readings, "BenchmarkReadings", "x-rows", least(10, "")},
	{"a year of minutes to days / SQL over minute rows", year, "BenchmarkYear", "x-sql", most(0.05, "")},
	{"a year of duty / SQL scan of the runs", duty, "BenchmarkYearOfDuty", "ratio", most(0.3, "")},
	{"limit crossed to message at the channel, p99", crossing, "BenchmarkCrossingToChannel", "p99-ms", most(100, "ms")},
	{"processor, 1,000 points at 1 s / bare loop", burden, "BenchmarkBurden", "modbus-x-bare", most(3, "")},
	{"processor, 1,000 MQTT messages/s / bare handler, QoS 0", burden, "BenchmarkBurden", "mqtt-x-bare", most(1.2, "")},
	{"the same, QoS 1", burden, "BenchmarkBurden", "mqtt1-x-bare", most(1.2, "")},
	{"the same, one message each millisecond, QoS 0", spaced, "BenchmarkBurdenSpaced", "mqtt-x-bare", most(1.2, "")},
	{"resident, 1,000 points, after use", memory, "BenchmarkResident", "MiB-resident", most(40, "MiB")},
	{"the most of it while an hour of each and every page is asked for", memory, "BenchmarkResident", "MiB-busiest", goal{}},
	{"the most ever, while the files are read", memory, "BenchmarkResident", "MiB-most", goal{}},
	{"left alone", memory, "BenchmarkResident", "MiB-rested", goal{}},
	{"the whole program, 1,000 points and 2,000 rules / bare loop", burden, "BenchmarkBurden", "daemon-modbus-x-bare", goal{}},
	{"the whole program, 1,000 points at 1 s, % of a core", burden, "BenchmarkBurden", "%core-daemon-modbus", goal{}},
	{"the same, started with an hour on its record, % of a core", burden, "BenchmarkBurden", "%core-daemon-hour", goal{}},
	{"the whole program, 1,000 MQTT messages/s and 2,000 rules / bare handler", burden, "BenchmarkBurden", "daemon-mqtt-x-bare", goal{}},
	{"most points of a box of one core, 256 MiB, at 1 s", biggest, "BenchmarkSmallBox", "points", goal{}},
	{"binary, stripped", start, "BenchmarkStart", "MiB-binary", most(20, "MiB")},
	{"start to listening", start, "BenchmarkStart", "ms-to-listening", most(100, "ms")},
	{"start to the first reading", start, "BenchmarkStart", "ms-to-first-reading", most(500, "ms")},
	{"restart, 3,000 rules and 100,000 lines, to judging", restart, "BenchmarkRestart", "ms-judging", most(1000, "ms")},
}

// curves are what a point or a link costs as there are more of them; %d in the benchmark's name is their number.
var curves = []curve{
	{row{work: "engine, ns a point", suite: engine, bench: "BenchmarkGrowth/points=%d", unit: "ns/point"}, points},
	{row{work: "engine, bytes a point", suite: engine, bench: "BenchmarkGrowth/points=%d", unit: "B/point"}, points},
	{row{work: "judge's step, ns a point", suite: judge, bench: "BenchmarkGrowth/points=%d", unit: "ns/point-judged"}, points},
	{row{work: "with the record's writing, ns a point", suite: judge, bench: "BenchmarkGrowth/points=%d", unit: "ns/point-judged-mean"}, points},
	{row{work: "view, ns a point", suite: judge, bench: "BenchmarkGrowth/points=%d", unit: "ns/point-viewed"}, points},
	{row{work: "metrics page, ns a point", suite: judge, bench: "BenchmarkGrowth/points=%d", unit: "ns/point-scraped"}, points},
	{row{work: "heap of all, bytes a point", suite: judge, bench: "BenchmarkGrowth/points=%d", unit: "B/point"}, points},
	{row{work: "resident, KiB a point of its own", suite: perPoint, bench: "BenchmarkResidentGrowth/points=%d", unit: "KiB-anon/point"}, points},
	{row{work: "links at once, us a round of one", suite: links, bench: "BenchmarkGrowth/links=%d", unit: "us/link-round"}, linkNumbers},
	{row{work: "the same / bare loops", suite: links, bench: "BenchmarkGrowth/links=%d", unit: "ours/bare"}, linkNumbers},
	{row{work: "heap and stacks, KiB a link", suite: links, bench: "BenchmarkGrowth/links=%d", unit: "KiB/link"}, linkNumbers},
}

var points, linkNumbers = []int{100, 1000, 10000}, []int{1, 16, 64, 256}

// curve is a row with the numbers at which it is measured.
type curve struct {
	row
	sizes []int
}

// steepest is how much more one of many may cost than one of few and the whole still be called near linear.
const steepest = 1.5

// chosen returns the rows whose words or benchmark hold one of the words; all without words.
func chosen(rows []row, words []string) (list []row) {
	for _, r := range rows {
		keep := len(words) == 0
		for _, w := range words {
			text := strings.ToLower(r.work + " " + r.bench + " " + r.suite.dir)
			keep = keep || strings.Contains(text, strings.ToLower(strings.TrimSpace(w)))
		}
		if keep {
			list = append(list, r)
		}
	}
	return list
}

// chosenCurves does the same.
func chosenCurves(list []curve, words []string) (out []curve) {
	for _, c := range list {
		if len(chosen([]row{c.row}, words)) > 0 {
			out = append(out, c)
		}
	}
	return out
}

// suitesOf returns each suite that rows and curves need once, in their order.
func suitesOf(rows []row, curves []curve) (list []suite) {
	seen := map[suite]bool{}
	all := rows[:len(rows):len(rows)]
	for _, c := range curves {
		all = append(all, c.row)
	}
	for _, r := range all {
		if !seen[r.suite] {
			seen[r.suite] = true
			list = append(list, r.suite)
		}
	}
	return list
}
