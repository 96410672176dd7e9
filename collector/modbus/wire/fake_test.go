package wire_test

import (
	"context"
	"encoding/hex"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	gomodbus "github.com/goburrow/modbus"

	"roundsman/collector/modbus/wire"
)

// transporter is what all three have in common.
type transporter interface {
	gomodbus.Transporter
	Connect(ctx context.Context) error
	Connected() bool
	Close() error
}

// step is one thing a scripted device sends: after a wait, some bytes.
type step struct {
	wait  time.Duration
	bytes string // hex with blanks; II is replaced by the transaction id of the request, JJ by the one before
	hang  bool   // then the line is closed
}

// script is a device that answers the n-th request it gets with the n-th list of steps.
type script struct {
	mu       sync.Mutex
	requests [][]byte
	opened   int
	answers  [][]step
	size     int // bytes of a request
}

// open is an Opener: each call joins a new pipe to the script.
func (s *script) open(context.Context) (wire.Conn, error) {
	near, far := net.Pipe()
	s.mu.Lock()
	s.opened++
	s.mu.Unlock()
	go s.serve(far)
	return near, nil
}

func (s *script) serve(c net.Conn) {
	defer c.Close()
	request := make([]byte, s.size)
	for {
		if _, err := io.ReadFull(c, request); err != nil {
			return
		}
		for _, st := range s.next(request) {
			time.Sleep(st.wait)
			if st.hang {
				return
			}
			if _, err := c.Write(fill(st.bytes, request)); err != nil {
				return
			}
		}
	}
}

func (s *script) next(request []byte) []step {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.requests = append(s.requests, append([]byte(nil), request...))
	if len(s.answers) == 0 {
		return nil
	}
	a := s.answers[0]
	s.answers = s.answers[1:]
	return a
}

// fill turns a step's text into bytes.
func fill(text string, request []byte) []byte {
	before := []byte{request[0], request[1] - 1}
	text = strings.ReplaceAll(text, "II", hex.EncodeToString(request[:2]))
	text = strings.ReplaceAll(text, "JJ", hex.EncodeToString(before))
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		panic(err)
	}
	return b
}

// rtu adds the CRC to a frame in hex.
func rtu(frame string) string {
	b := fill(frame, []byte{0, 0})
	v := crc(b)
	return hex.EncodeToString(append(b, byte(v), byte(v>>8)))
}

// client returns the library's client for unit 1 over t.
func client(t transporter, tcp bool) gomodbus.Client {
	if tcp {
		h := gomodbus.NewTCPClientHandler("")
		h.SlaveId = 1
		return gomodbus.NewClient2(h, t)
	}
	h := gomodbus.NewRTUClientHandler("")
	h.SlaveId = 1
	return gomodbus.NewClient2(h, t)
}

func connect(t *testing.T, tr transporter) {
	t.Helper()
	if err := tr.Connect(t.Context()); err != nil {
		t.Fatal(err)
	}
}

func wantReason(t *testing.T, err error, want wire.Reason) {
	t.Helper()
	if got := wire.ReasonOf(err); got != want {
		t.Errorf("got %v (%v), want %v", got, err, want)
	}
}
