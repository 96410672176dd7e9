package device

import (
	"context"
	"errors"
	"io"
	"time"
)

// slack is what a busy machine may add to a silence before it counts.
const slack = 20 * time.Millisecond

var errEnded = errors.New("input ended")

type chunk struct {
	data []byte
	at   time.Time
}

func readChunks(ctx context.Context, port io.Reader, out chan<- chunk) error {
	defer close(out)
	buf := make([]byte, 512)
	for {
		n, err := port.Read(buf)
		if n > 0 {
			select {
			case out <- chunk{append([]byte(nil), buf[:n]...), time.Now()}:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		if err != nil {
			return err
		}
	}
}

// framer cuts the stream of characters into request frames: by length where
// the function code tells it, else by silence. After a wrong CRC all is
// dropped up to the next silence.
type framer struct {
	in    <-chan chunk
	gap   time.Duration
	buf   []byte
	first time.Time // when the first character of buf came
	lost  bool
}

// next returns a frame with right CRC and the time its first character came.
func (f *framer) next(ctx context.Context) ([]byte, time.Time, error) {
	for {
		if n := requestLength(f.buf); n > 0 && len(f.buf) >= n && !f.lost {
			frame, at := f.buf[:n:n], f.first
			if goodCRC(frame) {
				f.buf = f.buf[n:]
				return frame, at, nil
			}
			f.lost = true
		}
		quiet, err := f.more(ctx)
		if err != nil {
			return nil, time.Time{}, err
		}
		if !quiet {
			continue
		}
		frame, at, whole := f.buf, f.first, !f.lost && requestLength(f.buf) < 0 && goodCRC(f.buf)
		f.buf, f.lost = nil, false
		if whole {
			return frame, at, nil
		}
	}
}

// more takes the next characters, or reports that the line fell quiet in the midst of a frame.
func (f *framer) more(ctx context.Context) (quiet bool, err error) {
	var silence <-chan time.Time
	if len(f.buf) > 0 || f.lost {
		t := time.NewTimer(f.gap)
		defer t.Stop()
		silence = t.C
	}
	select {
	case c, ok := <-f.in:
		if !ok {
			return false, errEnded
		}
		if len(f.buf) == 0 {
			f.first = c.at
		}
		f.buf = append(f.buf, c.data...)
		if len(f.buf) > 4*maxPDU {
			f.buf, f.lost = f.buf[:0:0], true
		}
		return false, nil
	case <-silence:
		return true, nil
	case <-ctx.Done():
		return false, ctx.Err()
	}
}

// requestLength returns the length of the request frame that begins with b, 0
// while that is not known yet, -1 where the function code does not tell.
func requestLength(b []byte) int {
	if len(b) < 3 {
		return 0
	}
	switch b[1] {
	case 1, 2, 3, 4, 5, 6:
		return 8
	case 15, 16:
		if len(b) < 7 {
			return 0
		}
		return 9 + int(b[6])
	case encapsulated:
		if b[2] == deviceIdentification {
			return 7
		}
	}
	return -1
}

// crc is the CRC-16 of SL's appendix: polynomial A001 reflected, start FFFF.
func crc(b []byte) uint16 {
	sum := uint16(0xFFFF)
	for _, c := range b {
		sum ^= uint16(c)
		for range 8 {
			if sum&1 != 0 {
				sum = sum>>1 ^ 0xA001
			} else {
				sum >>= 1
			}
		}
	}
	return sum
}

// appendCRC adds the check, low byte first.
func appendCRC(b []byte) []byte {
	sum := crc(b)
	return append(b, byte(sum), byte(sum>>8))
}

func goodCRC(b []byte) bool {
	if len(b) < 4 {
		return false
	}
	sum := crc(b[:len(b)-2])
	return b[len(b)-2] == byte(sum) && b[len(b)-1] == byte(sum>>8)
}
