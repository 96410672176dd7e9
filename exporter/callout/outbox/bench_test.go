package outbox_test

import (
	"fmt"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/callout"
	"roundsman/rules"
)

// Bytes at the channel: from the reading that crosses the limit to Send, on a site of 1,000 points with a limit rule
// each, with the record's flushes between. The alarm is of high priority without kin, which does not wait for others;
// all others add Plan.Merge.
func BenchmarkCrossingToChannel(b *testing.B) {
	const points = 1000
	var list []collector.Point
	set := rules.Set{}
	for i := range points {
		list = append(list, collector.Point{ID: collector.PointID(i), Name: fmt.Sprintf("air.p%d.pressure", i), Station: "air", Unit: "bar", Digits: 1})
		set.Rules = append(set.Rules, rules.Rule{Name: fmt.Sprintf("low-%d", i), Point: collector.PointID(i), Kind: rules.Low, Limit: 5.5, Other: collector.NoPoint,
			Priority: rules.HighPriority, CallOut: "on-call", AutoAcknowledge: true, Unit: "bar", Digits: 1})
	}
	plan := callout.Plan{Site: "Ardenmoor", Contacts: []callout.Contact{{ID: "ann", Addresses: []callout.Address{{Channel: "sms", To: "1"}}}},
		Routes: []callout.Route{{Name: "on-call", Steps: []callout.Step{{Who: []callout.Who{{Person: "ann"}}}}}}}
	taken := make(chan time.Time, 16)
	p := &phone{took: func(m *callout.Message) {
		if m.Subject == callout.AboutAlarm {
			taken <- time.Now()
		}
	}}
	h := openHouse(b, filepath.Join(b.TempDir(), "roundsman.db"), set, list, plan, p)
	defer func() { h.close(b) }()
	values := slices.Repeat([]float64{7}, points)
	h.read(values...)
	var waits []time.Duration
	for i := 0; b.Loop(); i++ {
		k := i % points
		if i >= points && k == 0 {
			h.read(values...) // all return; a second activation within 30 s is no new call
			b.StopTimer()
			h.close(b)
			h = openHouse(b, filepath.Join(b.TempDir(), fmt.Sprint(i, ".db")), set, list, plan, p)
			h.read(slices.Repeat([]float64{7}, points)...)
			values = slices.Repeat([]float64{7}, points)
			b.StartTimer()
		}
		values[k] = 5.3
		start := time.Now()
		h.read(values...)
		waits = append(waits, (<-taken).Sub(start))
	}
	slices.Sort(waits)
	b.ReportMetric(float64(waits[len(waits)/2].Microseconds())/1000, "p50-ms")
	b.ReportMetric(float64(waits[len(waits)*99/100].Microseconds())/1000, "p99-ms")
}
