package rehearsal

import (
	"bytes"
	"errors"
	"io"
)

const (
	firstBuffer = 256 << 10
	// longestLine bounds the memory that a file without line ends can ask for.
	longestLine = 4 << 20
)

var errLongLine = errors.New("line is longer than 4 MiB: is this a CSV file?")

// lines cuts a stream into lines without copying them.
type lines struct {
	r        io.Reader
	buf      []byte
	from, to int
	number   int  // of the line returned last, from 1
	open     bool // that line had no end: the file stops in it
	err      error
}

func newLines(r io.Reader) *lines { return &lines{r: r, buf: make([]byte, firstBuffer)} }

// next returns the next line without its end; it is good until the next call. io.EOF follows the last.
func (l *lines) next() ([]byte, error) {
	seen := 0
	for {
		if i := bytes.IndexByte(l.buf[l.from+seen:l.to], '\n'); i >= 0 {
			line := l.buf[l.from : l.from+seen+i]
			l.from += seen + i + 1
			l.number++
			return chomp(line), nil
		}
		seen = l.to - l.from
		if l.err != nil {
			return l.last()
		}
		if err := l.fill(); err != nil {
			l.number++
			return nil, err
		}
	}
}

// last returns what stands behind the last line end.
func (l *lines) last() ([]byte, error) {
	line := l.buf[l.from:l.to]
	l.from = l.to
	if l.err != io.EOF {
		l.number++
		return nil, l.err
	}
	if len(line) == 0 {
		return nil, io.EOF
	}
	l.number++
	l.open = true
	return chomp(line), nil
}

func (l *lines) fill() error {
	if l.from > 0 {
		l.to = copy(l.buf, l.buf[l.from:l.to])
		l.from = 0
	}
	if l.to == len(l.buf) {
		if len(l.buf) >= longestLine {
			return errLongLine
		}
		l.buf = append(l.buf, make([]byte, len(l.buf))...)
	}
	n, err := l.r.Read(l.buf[l.to:])
	l.to += n
	l.err = err
	return nil
}

func chomp(line []byte) []byte {
	if n := len(line); n > 0 && line[n-1] == '\r' {
		return line[:n-1]
	}
	return line
}
