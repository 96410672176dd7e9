package modbus_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/outsidetest"
)

// foreignValue is one value as the foreign library laid it out.
type foreignValue struct {
	Type, Order, Text string
	Start             uint16
	Value             json.Number
}

type foreignLayout struct {
	Values []foreignValue
	Coils  []float64
}

// startForeign runs the foreign server until the test ends and returns what it holds.
func startForeign(t *testing.T, python string, args ...string) foreignLayout {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), python, append([]string{"testdata/foreign.py"}, args...)...)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var complaint strings.Builder
	cmd.Stderr = &complaint
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	line, err := bufio.NewReader(out).ReadBytes('\n')
	var l foreignLayout
	if err == nil {
		err = json.Unmarshal(line, &l)
	}
	if err != nil {
		t.Fatalf("%v: %s", err, complaint.String())
	}
	return l
}

// freePort returns a port of loopback that nobody listens on.
func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, port, _ := net.SplitHostPort(l.Addr().String())
	return port
}

// serialPair joins two pseudo terminals by socat and returns their names.
func serialPair(t *testing.T) (near, far string) {
	t.Helper()
	if _, err := exec.LookPath("socat"); err != nil {
		outsidetest.Missing(t, "socat", "socat")
	}
	near, far = filepath.Join(t.TempDir(), "near"), filepath.Join(t.TempDir(), "far")
	cmd := exec.CommandContext(t.Context(), "socat", "pty,raw,echo=0,link="+near, "pty,raw,echo=0,link="+far)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	waitFor(t, "socat's terminals", func() bool {
		_, a := os.Stat(near)
		_, b := os.Stat(far)
		return a == nil && b == nil
	})
	return near, far
}

// waitFor polls until a foreign program has come so far, for ten seconds at most.
func waitFor(t *testing.T, what string, ready func() bool) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); !ready(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%s did not come", what)
		}
	}
}

// Every type in every order, out of holding and input registers, and coils and inputs, as the foreign
// server holds them.
func TestForeignServer(t *testing.T) {
	python := outsidetest.Python(t, "python3-pymodbus", "pymodbus.server")
	t.Run("tcp", func(t *testing.T) {
		port := freePort(t)
		readForeign(t, startForeign(t, python, "tcp", port), modbus.Options{Transport: modbus.TCP, Address: "127.0.0.1:" + port})
	})
	t.Run("rtu", func(t *testing.T) {
		near, far := serialPair(t)
		readForeign(t, startForeign(t, python, "rtu", far), modbus.Options{Transport: modbus.RTU, Address: near, Baud: 115200, Timeout: time.Second})
	})
}

func readForeign(t *testing.T, layout foreignLayout, opts modbus.Options) {
	opts.Name, opts.Status = "foreign", collector.NoPoint
	want := map[collector.PointID]string{}
	add := func(a modbus.Address, value string) {
		id := collector.PointID(len(want))
		a.Unit = 17
		opts.Points = append(opts.Points, modbus.Point{ID: id, Every: time.Second, Address: a})
		want[id] = value
	}
	for _, v := range layout.Values {
		a := modbus.Address{Start: v.Start, Type: typeOf(t, v.Type), Order: orderOf(t, v.Order)}
		value := v.Text
		if a.Type == modbus.Text {
			a.Length = uint16(len(v.Text) / 2)
		} else {
			f, err := v.Value.Float64()
			if err != nil {
				t.Fatal(err)
			}
			value = fmt.Sprint(f)
		}
		for _, a.Table = range []modbus.Table{modbus.HoldingRegisters, modbus.InputRegisters} {
			add(a, value)
		}
	}
	for i := range layout.Coils {
		add(modbus.Address{Table: modbus.Coils, Start: uint16(i)}, fmt.Sprint(layout.Coils[i]))
		add(modbus.Address{Table: modbus.DiscreteInputs, Start: uint16(i)}, fmt.Sprint(layout.Coils[len(layout.Coils)-1-i]))
	}
	if len(want) < 300 {
		t.Errorf("only %d values to compare", len(want))
	}
	compareForeign(t, opts, want)
}

func compareForeign(t *testing.T, opts modbus.Options, want map[collector.PointID]string) {
	t.Helper()
	l, err := modbus.New(opts, nil, collector.NewClock())
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var readings []collector.Reading
	waitFor(t, "the foreign server's answer", func() bool {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		defer l.Close()
		readings, _ = l.Once(ctx)
		return readings[0].Quality == collector.Good
	})
	for _, r := range readings {
		p := opts.Points[r.Point]
		got := fmt.Sprint(r.Value)
		if p.Type == modbus.Text {
			got = r.Text
		}
		if r.Quality != collector.Good || got != want[r.Point] {
			t.Errorf("%v %v %v: got %s (%s), want %s", p.Address, p.Type, p.Order, got, r.Reason(), want[r.Point])
		}
	}
}

func typeOf(t *testing.T, word string) modbus.Type {
	t.Helper()
	for typ := modbus.Bool; typ <= modbus.Text; typ++ {
		if typ.String() == word {
			return typ
		}
	}
	t.Fatalf("type %q", word)
	return 0
}

func orderOf(t *testing.T, word string) modbus.Order {
	t.Helper()
	for o := modbus.ABCD; o <= modbus.DCBA; o++ {
		if o.String() == word {
			return o
		}
	}
	t.Fatalf("order %q", word)
	return 0
}
