package configs_test

import (
	"fmt"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"go.yaml.in/yaml/v4"

	"roundsman/configs"
)

// longList is a point list of n entries, as a spreadsheet of registers turns into.
func longList(n int) []byte {
	var b strings.Builder
	b.WriteString("site: {name: X, time-zone: UTC}\nlinks:\n")
	for l := range 1 + n/1000 {
		fmt.Fprintf(&b, "  plc%d: {modbus: tcp://127.0.0.1:%d}\n", l, 1502+l)
	}
	b.WriteString("points:\n")
	for i := range n {
		fmt.Fprintf(&b, "  hall.%d.pressure: {station: hall, link: plc%d, unit-id: %d, holding: %d, type: int16, scale: {from: [0, 27648], to: [0 bar, 16 bar]}, every: 1s}\n", i, i/1000, 1+i/500%200, 10+i%500)
	}
	return []byte(b.String())
}

func TestLongList(t *testing.T) {
	s, err := configs.Load(fstest.MapFS{"site.yaml": {Data: longList(5000)}}, "site.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Modbus) != 6 || len(s.Modbus[4].Points) != 1000 || s.Points[4999].Name != "hall.4999.pressure" {
		t.Errorf("%d links, %d points on the fifth, last %s", len(s.Modbus), len(s.Modbus[4].Points), s.Points[4999].Name)
	}
}

// BenchmarkLongList loads 5,000 points, and decodes the same bytes into YAML's
// own nodes, turn by turn; the ratio is what strictness costs.
func BenchmarkLongList(b *testing.B) {
	data := longList(5000)
	fsys := fstest.MapFS{"site.yaml": {Data: data}}
	var ours, bare time.Duration
	for b.Loop() {
		t0 := time.Now()
		if _, err := configs.Load(fsys, "site.yaml"); err != nil {
			b.Fatal(err)
		}
		t1 := time.Now()
		var n yaml.Node
		if err := yaml.Unmarshal(data, &n); err != nil {
			b.Fatal(err)
		}
		ours += t1.Sub(t0)
		bare += time.Since(t1)
	}
	b.ReportMetric(float64(ours)/float64(bare), "load/bare")
	b.ReportMetric(float64(bare.Milliseconds())/float64(b.N), "bare-ms/op")
}
