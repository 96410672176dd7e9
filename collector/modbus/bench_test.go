package modbus_test

import (
	"context"
	"fmt"
	"net"
	"slices"
	"sync"
	"testing"
	"time"

	gomodbus "github.com/goburrow/modbus"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/modbus/device"
	"roundsman/collector/scaling"
)

// serveTCP serves a bank on loopback until the benchmark ends and returns the address.
func serveTCP(b *testing.B) string {
	b.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { device.New(map[uint8]*device.Bank{1: bank()}, device.Options{}).ServeTCP(ctx, listener) })
	b.Cleanup(func() { cancel(); wg.Wait() })
	return listener.Addr().String()
}

// requestsPerRound is how many requests one round of the benchmark makes: ten registers each.
const requestsPerRound = 10

// collectorLink is a link whose round makes requestsPerRound requests of ten points.
func collectorLink(b *testing.B, transport modbus.Transport, address string, baud int, n int) *modbus.Link {
	b.Helper()
	opts, points := collectorOptions(transport, address, baud, n)
	l, err := modbus.New(opts, points, collector.NewClock())
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { l.Close() })
	return l
}

func collectorOptions(transport modbus.Transport, address string, baud int, n int) (modbus.Options, []collector.Point) {
	opts := modbus.Options{Name: "plc", Transport: transport, Address: address, Baud: baud, Status: collector.NoPoint,
		Units: map[uint8]modbus.Unit{1: {MaxRegisters: n, Status: collector.NoPoint}}}
	points := []collector.Point{}
	for i := range uint16(requestsPerRound * n) {
		opts.Points = append(opts.Points, modbus.Point{
			ID: collector.PointID(i), Every: time.Second, Scale: scaling.Spec{Points: []scaling.Pair{{Raw: 0, Value: 0}, {Raw: 27648, Value: 16}}},
			Address: modbus.Address{Unit: 1, Table: modbus.HoldingRegisters, Start: i, Type: modbus.Int16},
		})
		points = append(points, collector.Point{ID: collector.PointID(i), Name: fmt.Sprint("p", i)})
	}
	return opts, points
}

func once(b *testing.B, l *modbus.Link) {
	readings, err := l.Once(b.Context())
	if err != nil || readings[0].Quality != collector.Good {
		b.Errorf("%v, %+v", err, readings[0])
	}
}

// bareLoop makes the same requests with the library alone.
func bareLoop(b *testing.B, c gomodbus.Client) {
	for i := range uint16(requestsPerRound) {
		if _, err := c.ReadHoldingRegisters(10*i, 10); err != nil {
			b.Error(err)
		}
	}
}

func bareClient(b *testing.B, address string) gomodbus.Client {
	h := gomodbus.NewTCPClientHandler(address)
	h.Timeout, h.IdleTimeout, h.SlaveId = time.Second, 0, 1
	b.Cleanup(func() { h.Close() })
	return gomodbus.NewClient(h)
}

// interleaved runs both in turns and reports how fast the first is beside the second: by the median
// of the pairs, and by the tenths of each, which a busy machine disturbs less.
func interleaved(b *testing.B, ours, bare func()) {
	ours()
	bare()
	ratios := []float64{}
	took := [2][]float64{}
	for i := 0; b.Loop(); i++ {
		var pair [2]float64
		for k := range 2 {
			which := (i + k) % 2
			begin := time.Now()
			[]func(){ours, bare}[which]()
			pair[which] = time.Since(begin).Seconds()
			took[which] = append(took[which], pair[which])
		}
		ratios = append(ratios, pair[1]/pair[0])
	}
	for _, list := range [][]float64{ratios, took[0], took[1]} {
		slices.Sort(list)
	}
	n := len(ratios)
	b.ReportMetric(ratios[n/2], "ours/bare")
	b.ReportMetric(took[1][n/10]/took[0][n/10], "ours/bare-p10")
	b.ReportMetric(took[0][n/2]*1e6/requestsPerRound, "us/request")
}

// BenchmarkTCP compares a link's rounds, judged readings included, with a bare loop of the same requests.
func BenchmarkTCP(b *testing.B) {
	address := serveTCP(b)
	l, c := collectorLink(b, modbus.TCP, address, 0, 10), bareClient(b, address)
	interleaved(b, func() { once(b, l) }, func() { bareLoop(b, c) })
}

// BenchmarkTCP16 does the same over 16 links at once, and compares the slowest hundredth of the rounds.
func BenchmarkTCP16(b *testing.B) {
	const links = 16
	var ours, bare []func()
	for range links {
		address := serveTCP(b)
		l, c := collectorLink(b, modbus.TCP, address, 0, 10), bareClient(b, address)
		ours = append(ours, func() { once(b, l) })
		bare = append(bare, func() { bareLoop(b, c) })
	}
	var ourRounds, bareRounds []float64
	all := func(fs []func(), rounds *[]float64) func() {
		return func() {
			took := make([][10]float64, len(fs))
			var wg sync.WaitGroup
			for i, f := range fs {
				wg.Go(func() {
					for n := range took[i] {
						begin := time.Now()
						f()
						took[i][n] = time.Since(begin).Seconds()
					}
				})
			}
			wg.Wait()
			for _, of := range took {
				*rounds = append(*rounds, of[:]...)
			}
		}
	}
	interleaved(b, all(ours, &ourRounds), all(bare, &bareRounds))
	slices.Sort(ourRounds)
	slices.Sort(bareRounds)
	n := len(ourRounds) * 99 / 100
	b.ReportMetric(ourRounds[n]/bareRounds[n], "p99/bare")
	b.ReportMetric(ourRounds[n]*1e3, "ms-p99-round")
}

// BenchmarkRoundAllocs counts what a round allocates, for ten requests and a hundred readings.
func BenchmarkRoundAllocs(b *testing.B) {
	l := collectorLink(b, modbus.TCP, serveTCP(b), 0, 10)
	once(b, l)
	b.ReportAllocs()
	for b.Loop() {
		once(b, l)
	}
}
