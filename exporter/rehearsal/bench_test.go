package rehearsal_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"runtime"
	"slices"
	"strconv"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/rehearsal"
	"roundsman/rules"
)

const (
	benchPoints = 60
	hourRows    = 3600
)

// month is a CSV file of 60 points at 1 s that is made while it is read: one hour of rows whose day and hour are
// written over for each pass. Pressures of a dozen bars and levels with noise of a count, every tenth point a contact.
type month struct {
	head  []byte
	left  []byte // of the head
	block []byte
	rows  []int // where each row of the block begins
	at    int
	hours int // still to come
	hour  int
}

func newMonth(hours int) *month {
	m := &month{hours: hours}
	m.head = append(m.head, "time"...)
	for p := range benchPoints {
		m.head = fmt.Appendf(m.head, ",p%02d", p)
	}
	m.head = append(m.head, '\n')
	for row := range hourRows {
		m.rows = append(m.rows, len(m.block))
		m.block = fmt.Appendf(m.block, "2026-06-00T00:%02d:%02dZ", row/60, row%60)
		for p := range benchPoints {
			v := 7.5 + 1.2*math.Sin(float64(row*(p+3))/900) + 0.01*float64((row*7+p*13)%11)
			switch {
			case p%10 == 9:
				m.block = fmt.Appendf(m.block, ",%d", row/(40+p)%2)
			case p%10 == 8:
				m.block = fmt.Appendf(m.block, ",%.1f", 10*v)
			default:
				m.block = fmt.Appendf(m.block, ",%.3f", v)
			}
		}
		m.block = append(m.block, '\n')
	}
	return m.again(hours)
}

// again begins anew.
func (m *month) again(hours int) *month {
	m.left, m.at, m.hours, m.hour = m.head, len(m.block), hours, 0
	return m
}

func (m *month) Read(p []byte) (int, error) {
	if len(m.left) > 0 {
		n := copy(p, m.left)
		m.left = m.left[n:]
		return n, nil
	}
	if m.at == len(m.block) {
		if m.hours == 0 {
			return 0, io.EOF
		}
		m.hours--
		day, hour := 1+m.hour/24, m.hour%24
		m.hour++
		for _, i := range m.rows {
			row := m.block[i:]
			row[8], row[9], row[11], row[12] = '0'+byte(day/10), '0'+byte(day%10), '0'+byte(hour/10), '0'+byte(hour%10)
		}
		m.at = 0
	}
	n := copy(p, m.block[m.at:])
	m.at += n
	return n, nil
}

// benchSite is 60 points with 110 rules: two limits each on the analogue ones, contacts, and the kinds with a window.
func benchSite() rehearsal.Site {
	var site rehearsal.Site
	for p := range benchPoints {
		id := collector.PointID(p)
		point := collector.Point{ID: id, Name: fmt.Sprintf("p%02d", p), Unit: "bar", Low: 0, High: 16, Resolution: 0.001}
		if p%10 == 9 {
			point.Kind, point.Low, point.High = collector.State, math.NaN(), math.NaN()
			site.Rules.Rules = append(site.Rules.Rules, rule(id, rules.RunsLonger, 0, func(r *rules.Rule) { r.Window = 10 * time.Minute }))
		} else {
			low := 5.5 // never reached but by a few points that dip to it in each swing
			if p%20 == 5 {
				low = 6.5
			}
			high := 9.0
			if p%10 == 8 {
				low, high = 55, 90
			}
			delays := func(r *rules.Rule) { r.Deadband, r.OnDelay, r.OffDelay = 0.1, 5*time.Second, 30*time.Second }
			site.Rules.Rules = append(site.Rules.Rules, rule(id, rules.Low, low, delays), rule(id, rules.High, high, delays))
		}
		switch p % 20 {
		case 0:
			site.Rules.Rules = append(site.Rules.Rules, rule(id, rules.Rate, -0.8, func(r *rules.Rule) { r.Window = 8 * time.Second }))
		case 4:
			site.Rules.Rules = append(site.Rules.Rules, rule(id, rules.StaleSignal, 0, func(r *rules.Rule) { r.Window = time.Minute }))
		case 6:
			site.Rules.Rules = append(site.Rules.Rules, rule(id, rules.BadSignal, 0, nil))
		}
		site.Points = append(site.Points, point)
	}
	return site
}

func rule(p collector.PointID, kind rules.Kind, limit float64, more func(*rules.Rule)) rules.Rule {
	r := rules.Rule{Name: fmt.Sprintf("r-%d-%d-%g", p, kind, limit), Point: p, Kind: kind, Limit: limit, Other: collector.NoPoint, Unit: "bar"}
	if more != nil {
		more(&r)
	}
	return r
}

func rehearse(tb testing.TB, site rehearsal.Site, r io.Reader, o rehearsal.Options) (*rehearsal.Report, rehearsal.Ledger) {
	tb.Helper()
	src, err := rehearsal.NewCSV(r, rehearsal.CSVOptions{Name: "data.csv", Points: site.Points})
	if err != nil {
		tb.Fatal(err)
	}
	report, err := rehearsal.Run(tb.Context(), site, src, o)
	if err != nil {
		tb.Fatal(err)
	}
	return report, src.Ledger()
}

// Four hours of 60 points at 1 s from bytes to report, in turn with the same bytes through encoding/csv and
// strconv.ParseFloat alone, without any rule. 'month-s' is what a month of thirty days takes at this speed; 'held-KiB'
// is what four hours more leave on the heap.
func BenchmarkRehearsal(b *testing.B) {
	const hours = 4
	site, data := benchSite(), newMonth(hours)
	var ours, bare []float64
	alarms := 0
	b.ReportAllocs()
	for b.Loop() {
		start := time.Now()
		report, ledger := rehearse(b, site, data.again(hours), rehearsal.Options{})
		ours = append(ours, time.Since(start).Seconds())
		alarms = len(report.Alarms)
		if ledger.Readings != hours*hourRows*benchPoints {
			b.Fatalf("%d readings", ledger.Readings)
		}
		start = time.Now()
		plainCSV(b, data.again(hours))
		bare = append(bare, time.Since(start).Seconds())
	}
	slices.Sort(ours)
	slices.Sort(bare)
	took, plain := ours[len(ours)/2], bare[len(bare)/2]
	const readings = hours * hourRows * benchPoints
	b.ReportMetric(readings/took*60/1e6, "M-readings/min")
	b.ReportMetric(took/readings*30*24*hourRows*benchPoints, "month-s")
	b.ReportMetric(plain/took, "x-encoding-csv")
	b.ReportMetric(float64(alarms), "alarms")
	b.ReportMetric(leaves(b, site, 2*hours)-leaves(b, site, hours), "held-KiB")
}

// leaves returns how much of the heap a rehearsal leaves in use, report and all, in KiB.
func leaves(b *testing.B, site rehearsal.Site, hours int) float64 {
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	report, _ := rehearse(b, site, newMonth(hours), rehearsal.Options{})
	runtime.GC()
	runtime.ReadMemStats(&after)
	runtime.KeepAlive(report)
	return (float64(after.HeapAlloc) - float64(before.HeapAlloc)) / 1024
}

func plainCSV(b *testing.B, r io.Reader) {
	c := csv.NewReader(r)
	c.ReuseRecord = true
	if _, err := c.Read(); err != nil {
		b.Fatal(err)
	}
	for {
		record, err := c.Read()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			b.Fatal(err)
		}
		if _, err := time.Parse(time.RFC3339, record[0]); err != nil {
			b.Fatal(err)
		}
		for _, cell := range record[1:] {
			if _, err := strconv.ParseFloat(cell, 64); err != nil {
				b.Fatal(err)
			}
		}
	}
}

// The reader alone, wide and long.
func BenchmarkCSV(b *testing.B) {
	site := benchSite()
	for _, form := range []string{"wide", "long"} {
		b.Run(form, func(b *testing.B) {
			data, err := io.ReadAll(newMonth(1))
			if err != nil {
				b.Fatal(err)
			}
			if form == "long" {
				data = toLong(data)
			}
			b.ReportAllocs()
			for b.Loop() {
				src, err := rehearsal.NewCSV(bytes.NewReader(data), rehearsal.CSVOptions{Points: site.Points})
				for err == nil {
					_, _, err = src.Next()
				}
				if err != io.EOF {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(hourRows*benchPoints), "ns/reading")
		})
	}
}

func toLong(wide []byte) []byte {
	rows := bytes.Split(bytes.TrimSpace(wide), []byte("\n"))
	names := bytes.Split(rows[0], []byte(","))
	out := []byte("time,point,value\n")
	for _, row := range rows[1:] {
		cells := bytes.Split(row, []byte(","))
		for i, cell := range cells[1:] {
			out = fmt.Appendf(out, "%s,%s,%s\n", cells[0], names[i+1], cell)
		}
	}
	return out
}
