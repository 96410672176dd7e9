package mqtt

import (
	"math"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
)

// FuzzRead sends any payload through everything between the queue and the
// batch. Whatever it is, each point gets at most one reading, a usable one is finite,
// and what is told of it can be shown anywhere.
func FuzzRead(f *testing.F) {
	for _, s := range []string{
		`1.92`, `1.92 m`, `{"level":1.92,"ts":1764057600}`, `{"level":"38.4 kg","ts":"2025-11-25T08:00:00Z","id":7}`,
		`{"id":"7","level":null}`, `[1764057600,1.92]`, `online`, `1,92`, `NaN`, `--`, "\x1b[2J\x00\xff", `{"level":1e999}`, `{"level":`,
		`{"ts":"2025-11-25T08:00:00","level":-0}`, strings.Repeat("[", 200), `"\ud800"`,
	} {
		f.Add([]byte(s), false)
		f.Add([]byte(s), true)
	}
	points := []collector.Point{{Name: "n", Unit: "m"}, {Name: "j", Unit: "m"}, {Name: "s", Kind: collector.State}, {Name: "t", Kind: collector.Text}, {Name: "w"}}
	f.Fuzz(func(t *testing.T, payload []byte, retained bool) {
		table, err := newTable(withDefaults(Options{MaxPayload: 4096, Points: []Point{
			{ID: 0, Topic: "a", StaleAfter: time.Minute},
			{ID: 1, Topic: "a", Value: "/level", Time: "/ts", StaleAfter: time.Minute, Online: &Online{Topic: "a", Yes: "online"}},
			{ID: 2, Topic: "+", Words: map[string]float64{"online": 1}, OnChange: true},
			{ID: 3, Topic: "a", Value: "/id", OnChange: true},
			{ID: 4, Topic: "#", Value: "/1", Time: "/0", Where: map[string]string{"/id": "7"}},
		}}), points)
		if err != nil {
			t.Fatal(err)
		}
		wall := time.Date(2025, 11, 25, 8, 0, 30, 0, time.UTC)
		now := instant{collector.At(wall), wall}
		m := message{topic: "a", payload: payload, size: len(payload), at: now.at, retained: retained}
		readings, _ := table.read(nil, &m, now)
		counts := map[collector.PointID]int{}
		for _, r := range readings {
			counts[r.Point]++
			if r.Quality.Usable() && (math.IsNaN(r.Value) || math.IsInf(r.Value, 0)) {
				t.Errorf("%q gives %v, usable", payload, r.Value)
			}
			if r.Quality != r.Fault.Quality() || r.At > now.at {
				t.Errorf("%q gives %v with %v at %v", payload, r.Quality, r.Fault, r.At)
			}
			if !showable(r.Detail) || !showable(r.Text) {
				t.Errorf("%q gives words that cannot be shown: %q %q", payload, r.Detail, r.Text)
			}
		}
		for id, n := range counts {
			if n > 2 || n == 2 && id != 1 { // the status topic of point 1 is its own topic here
				t.Errorf("%q gives %d readings of point %d", payload, n, id)
			}
		}
	})
}

func showable(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f })
}
