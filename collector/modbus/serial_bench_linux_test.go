package modbus_test

import (
	"context"
	"fmt"
	"io"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	gomodbus "github.com/goburrow/modbus"
	"golang.org/x/sys/unix"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/modbus/device"
	"roundsman/collector/outsidetest"
	"roundsman/collector/practice/terminal"
)

// BenchmarkSerial compares rounds over a paced pseudo terminal, whose device answers after 3.5
// characters of silence, with the theoretical minimum of MODBUS over Serial Line V1.02, 2.5.1 (the
// characters of request and answer and the silences), and with a bare loop: the same frames and the
// same silences, written on the descriptor itself. Both take turns, each over a terminal of its
// own. What the bare loop takes above the minimum is the device's and the machine's; x-bare is ours.
// A busy machine delays both: then the tenths (p10) are nearer to the truth than the medians.
func BenchmarkSerial(b *testing.B) {
	for _, baud := range []int{9600, 19200, 115200} {
		for _, n := range []int{1, 10} {
			b.Run(fmt.Sprintf("baud=%d/registers=%d", baud, n), func(b *testing.B) {
				serialRatio(b, baud, n, 5+2*n, nil)
			})
		}
		b.Run(fmt.Sprintf("baud=%d/exception", baud), func(b *testing.B) {
			serialRatio(b, baud, 1, 5, &device.Fault{Kind: device.Exception, Code: 4})
		})
	}
}

func serialRatio(b *testing.B, baud, registers, answer int, fault *device.Fault) {
	line := device.Line{Baud: baud}
	l := collectorLink(b, modbus.RTU, serveSerial(b, line, fault), baud, registers)
	bare := newBareSerial(b, serveSerial(b, line, fault), line, registers, answer)
	ours := func() {
		if _, err := l.Once(b.Context()); err != nil {
			b.Fatal(err)
		}
	}
	ours()
	bare.round(b)
	// The line was silent before a round, while the other had its turn.
	minimum := requestsPerRound*(line.Characters(8+answer)+2*line.Silence()) - line.Silence()
	var took [2][]float64
	for i := 0; b.Loop(); i++ {
		for k := range 2 {
			which := (i + k) % 2
			begin := time.Now()
			if which == 0 {
				ours()
			} else {
				bare.round(b)
			}
			took[which] = append(took[which], time.Since(begin).Seconds()/minimum.Seconds())
		}
	}
	reportSerial(b, took[0], took[1])
	if st := l.Status(); st.Requests[collector.TimedOut]+st.Requests[collector.Malformed] > 0 {
		b.Errorf("%+v", st.Requests)
	}
}

func reportSerial(b *testing.B, ours, bare []float64) {
	pairs := []float64{}
	for i := range ours {
		pairs = append(pairs, ours[i]/bare[i])
	}
	for _, list := range [][]float64{ours, bare, pairs} {
		slices.Sort(list)
	}
	n := len(ours)
	b.ReportMetric(ours[n/2], "x-minimum")
	b.ReportMetric(ours[n/10], "x-minimum-p10")
	b.ReportMetric(pairs[n/2], "x-bare")
	b.ReportMetric(ours[n/10]/bare[n/10], "x-bare-p10")
	b.ReportMetric(bare[n/2], "bare-x-minimum")
}

// serveSerial serves unit 1 on a pseudo terminal until the benchmark ends and returns its path.
func serveSerial(b *testing.B, line device.Line, fault *device.Fault) string {
	b.Helper()
	pty, err := terminal.Open()
	if err != nil {
		outsidetest.Lacking(b, "no pseudo terminal: %v", err)
	}
	server := device.New(map[uint8]*device.Bank{1: bank()}, device.Options{})
	if fault != nil {
		server.Inject(*fault)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { server.ServeSerial(ctx, pty, line) })
	b.Cleanup(func() { cancel(); wg.Wait() })
	return pty.Path
}

// bareSerial asks without a transporter: a blocking descriptor, ready frames, a spin for the silence.
type bareSerial struct {
	fd       int
	frames   [][]byte
	answer   []byte
	silence  time.Duration
	answered time.Time
}

func newBareSerial(b *testing.B, path string, line device.Line, registers, answer int) *bareSerial {
	b.Helper()
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { unix.Close(fd) })
	s := &bareSerial{fd: fd, answer: make([]byte, answer), silence: line.Silence(), answered: time.Now()}
	h := gomodbus.NewRTUClientHandler("")
	h.SlaveId = 1
	for i := range requestsPerRound {
		start := i * registers
		frame, err := h.Encode(&gomodbus.ProtocolDataUnit{FunctionCode: 3, Data: []byte{byte(start >> 8), byte(start), 0, byte(registers)}})
		if err != nil {
			b.Fatal(err)
		}
		s.frames = append(s.frames, frame)
	}
	return s
}

func (s *bareSerial) round(b *testing.B) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	for _, frame := range s.frames {
		s.await(s.answered.Add(s.silence))
		if _, err := unix.Write(s.fd, frame); err != nil {
			b.Fatal(err)
		}
		if _, err := io.ReadFull(s, s.answer); err != nil {
			b.Fatal(err)
		}
		s.answered = time.Now()
	}
}

// Read reads from the descriptor, for io.ReadFull.
func (s *bareSerial) Read(p []byte) (int, error) { return unix.Read(s.fd, p) }

func (s *bareSerial) await(until time.Time) {
	if d := time.Until(until) - 200*time.Microsecond; d > 0 {
		t := unix.NsecToTimespec(int64(d))
		_ = unix.Nanosleep(&t, nil) // a signal cuts it short; the loop goes on
	}
	for time.Now().Before(until) {
	}
}
