package wire_test

import (
	"bytes"
	"context"
	"io"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector/modbus/wire"
)

// forgetful is a device that does not answer the first request and answers all later ones at once.
type forgetful struct {
	heard  []time.Time
	answer []byte
}

func (f *forgetful) open(context.Context) (wire.Conn, error) {
	near, far := net.Pipe()
	go func() {
		defer far.Close()
		for request := make([]byte, 8); ; {
			if _, err := io.ReadFull(far, request); err != nil {
				return
			}
			if f.heard = append(f.heard, time.Now()); len(f.heard) > 1 {
				far.Write(f.answer)
			}
		}
	}()
	return near, nil
}

// The same question may be repeated while it is a further try, within 50 ms of being given up.
// What comes later, or asks for something else of the same shape, is a new question: it waits until
// a late answer can no longer come, a second after the first was given up, or it could be
// answered by it.
func TestRetrySoon(t *testing.T) {
	question, other := fill(rtu("01 03 0000 0002"), []byte{0, 0}), fill(rtu("01 03 0064 0002"), []byte{0, 0})
	shorter := fill(rtu("01 03 0064 0001"), []byte{0, 0})
	const (
		listening = 20 * time.Millisecond // the line is listened to for so long after a failure
		soon      = 50 * time.Millisecond
		late      = time.Second
	)
	for _, tt := range []struct {
		name    string
		after   time.Duration // from giving up to the next question
		request []byte
		answer  string
		sent    time.Duration // from giving up to when it is sent
	}{
		{"a try at once", listening, question, "01 03 04 0001 0002", listening},
		{"a try at the end", soon, question, "01 03 04 0001 0002", soon},
		{"just after", soon + 1, question, "01 03 04 0001 0002", late},
		{"the next round", 900 * time.Millisecond, question, "01 03 04 0001 0002", late},
		{"another question at once", listening, other, "01 03 04 0001 0002", late},
		{"another shape at once", listening, shorter, "01 03 02 0001", listening},
		{"when all is over", 2 * time.Second, other, "01 03 04 0001 0002", 2 * time.Second},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				timing := wire.Timing{Timeout: 300 * time.Millisecond}
				f := &forgetful{answer: fill(rtu(tt.answer), []byte{0, 0})}
				tr := wire.NewRTU(f.open, timing)
				defer tr.Close()
				connect(t, tr)
				begun := time.Now()
				_, err := tr.Send(question)
				wantReason(t, err, wire.TimedOut)
				given := begun.Add(timing.Timeout).Add(time.Millisecond) // a pipe is cleared for 1 ms before
				time.Sleep(time.Until(given.Add(tt.after)))
				answer, err := tr.Send(tt.request)
				if err != nil || !bytes.Equal(answer, f.answer) {
					t.Fatalf("got % X, %v, want % X", answer, err, f.answer)
				}
				if got := f.heard[1].Sub(given); got < tt.sent || got > tt.sent+2*time.Millisecond {
					t.Errorf("sent %v after giving up, want %v", got, tt.sent)
				}
			})
		})
	}
}

// A further try's answer may be the first try's: the question after it is a new one, however soon.
func TestAnsweredTryIsNoRetry(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		question := fill(rtu("01 03 0000 0002"), []byte{0, 0})
		f := &forgetful{answer: fill(rtu("01 03 04 0001 0002"), []byte{0, 0})}
		tr := wire.NewRTU(f.open, wire.Timing{Timeout: 300 * time.Millisecond})
		defer tr.Close()
		connect(t, tr)
		_, err := tr.Send(question)
		wantReason(t, err, wire.TimedOut)
		for range 2 {
			if _, err := tr.Send(question); err != nil {
				t.Fatal(err)
			}
		}
		// The device took the time-out for its first answer, so its second is awaited as long again, and a quarter.
		if d := f.heard[2].Sub(f.heard[1]); d < 300*time.Millisecond {
			t.Errorf("asked again %v after the answer that may have been the first try's, too soon", d)
		}
	})
}
