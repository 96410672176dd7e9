package rehearsal

import (
	"bufio"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"sync/atomic"
)

// File is an open file of recorded data; one whose name ends in .gz is unpacked. It knows how far it was read.
type File struct {
	io.Reader
	file *os.File
	size int64
	read atomic.Int64
}

// OpenFile opens a file of recorded data.
func OpenFile(name string) (*File, error) {
	f, err := os.Open(name)
	if err != nil {
		if pe, ok := errors.AsType[*fs.PathError](err); ok {
			err = pe.Err
		}
		if errors.Is(err, fs.ErrNotExist) {
			err = errors.New("no such file")
		}
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	d := &File{file: f}
	if err := d.open(name); err != nil {
		f.Close()
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return d, nil
}

func (d *File) open(name string) error {
	info, err := d.file.Stat()
	if err != nil {
		return err
	}
	if info.IsDir() {
		return errors.New("is a folder: name a CSV file in it")
	}
	d.size = info.Size()
	d.Reader = counted{d}
	if !strings.HasSuffix(name, ".gz") {
		return nil
	}
	z, err := gzip.NewReader(bufio.NewReaderSize(counted{d}, 64<<10))
	switch {
	case errors.Is(err, gzip.ErrHeader), errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return errors.New("ends in .gz and is not compressed with gzip")
	case err != nil:
		return err
	}
	d.Reader = z
	return nil
}

// Progress returns how many bytes of the file were read, of how many; 0 of 0 where that cannot be known. It may be
// called from any goroutine.
func (d *File) Progress() (read, of int64) { return d.read.Load(), d.size }

// Close closes the file.
func (d *File) Close() error { return d.file.Close() }

// counted counts what is read from the file itself.
type counted struct{ d *File }

func (c counted) Read(p []byte) (int, error) {
	n, err := c.d.file.Read(p)
	c.d.read.Add(int64(n))
	return n, err
}
