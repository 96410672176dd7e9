package rehearsal

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"roundsman/collector"
)

// Form is how times are written: RFC 3339 in some zone, or seconds. The zero value is RFC 3339 in UTC.
type Form struct {
	Seconds   bool
	separator byte   // between date and time; 0 is T
	digits    uint8  // least decimals of a second
	zone      string // as written; "" is Z
	offset    int32  // seconds east
}

// Append appends the moment as text. Decimals of a second are those it needs, but no fewer than the form has.
func (f Form) Append(dst []byte, m collector.Moment) []byte {
	if f.Seconds {
		return appendSeconds(dst, m)
	}
	t := time.Unix(int64(f.offset), 0).Add(time.Duration(m)).UTC()
	from := len(dst)
	dst = t.AppendFormat(dst, "2006-01-02T15:04:05")
	if f.separator != 0 {
		dst[from+len("2006-01-02")] = f.separator
	}
	dst = appendFraction(dst, t.Nanosecond(), int(f.digits))
	if f.zone == "" {
		return append(dst, 'Z')
	}
	return append(dst, f.zone...)
}

func appendSeconds(dst []byte, m collector.Moment) []byte {
	n := uint64(m)
	if m < 0 {
		dst = append(dst, '-')
		n = -n
	}
	dst = strconv.AppendUint(dst, n/1e9, 10)
	return appendFraction(dst, int(n%1e9), 0)
}

func appendFraction(dst []byte, nanoseconds, least int) []byte {
	if nanoseconds == 0 && least == 0 {
		return dst
	}
	text := fmt.Appendf(nil, "%09d", nanoseconds)
	n := len(bytes.TrimRight(text, "0"))
	return append(append(dst, '.'), text[:max(n, least)]...)
}

// Time is a moment in the form in which its data tell time.
type Time struct {
	At   collector.Moment
	form *Form
}

// String returns the time as it would stand in the data.
func (t Time) String() string { return string(t.formOf().Append(nil, t.At)) }

// MarshalJSON returns a number of seconds, or a text.
func (t Time) MarshalJSON() ([]byte, error) {
	f := t.formOf()
	if f.Seconds {
		return f.Append(nil, t.At), nil
	}
	return append(f.Append([]byte{'"'}, t.At), '"'), nil
}

func (t Time) formOf() Form {
	if t.form == nil {
		return Form{}
	}
	return *t.form
}

// forms keeps each form once.
type forms struct {
	list []*Form
}

func (f *forms) time(m collector.Moment, form Form) Time {
	for i := len(f.list) - 1; i >= 0; i-- {
		if *f.list[i] == form {
			return Time{m, f.list[i]}
		}
	}
	f.list = append(f.list, &form)
	return Time{m, &form}
}

// stamps reads the times of one file.
type stamps struct {
	form Form
	set  bool
	// The stamp before, down to the minute, so that most need two digits read.
	last   []byte
	minute collector.Moment
}

var (
	errNoTime   = errors.New("no time")
	errNoZone   = errors.New("has no zone: write 2026-07-01T06:10:00Z, or +01:00 for the Z")
	errNotTime  = errors.New("is no time: expected RFC 3339 such as 2026-07-01T06:10:00Z, or seconds")
	errRange    = errors.New("is beyond the years 1678 to 2262: seconds are expected, are these milliseconds?")
	errMixed    = errors.New("is not of the kind of the times before it")
	errNoSuch   = errors.New("is no such date or time of day")
	errCommaSec = errors.New("has a decimal comma: write a point")
)

const minuteLength = len("2006-01-02T15:04:")

// ParseTime reads RFC 3339, or seconds as a number.
func ParseTime(text string) (Time, error) {
	var s stamps
	m, err := s.read([]byte(text))
	if err != nil {
		return Time{}, fmt.Errorf("%q %w", text, err)
	}
	return Time{m, &s.form}, nil
}

// read reads one time. The first one tells of which kind all are.
func (s *stamps) read(b []byte) (collector.Moment, error) {
	if m, ok := s.sameMinute(b); ok {
		return m, nil
	}
	if len(b) == 0 {
		return 0, errNoTime
	}
	f := Form{Seconds: len(b) < minuteLength || b[4] != '-' || b[0]-'0' > 9}
	if s.set && f.Seconds != s.form.Seconds {
		return 0, errMixed
	}
	var m collector.Moment
	var err error
	if f.Seconds {
		m, err = seconds(b)
	} else if m, err = f.rfc3339(b); err == nil {
		f.shareZone(&s.form)
		s.last = append(s.last[:0], b...)
		second := int(b[minuteLength]-'0')*10 + int(b[minuteLength+1]-'0')
		s.minute = m.Add(-time.Duration(second) * time.Second)
	}
	if err != nil {
		return 0, err
	}
	s.form, s.set = f, true
	return m, nil
}

// sameMinute reads a stamp that differs from the one before in whole seconds only.
func (s *stamps) sameMinute(b []byte) (collector.Moment, bool) {
	const end = minuteLength + 2
	if len(b) != len(s.last) || len(b) < end || !bytes.Equal(b[:minuteLength], s.last[:minuteLength]) || !bytes.Equal(b[end:], s.last[end:]) {
		return 0, false
	}
	tens, ones := b[minuteLength]-'0', b[minuteLength+1]-'0'
	if tens > 5 || ones > 9 {
		return 0, false
	}
	return s.minute.Add(time.Duration(tens*10+ones) * time.Second), true
}

// shareZone keeps one copy of the zone's text.
func (f *Form) shareZone(before *Form) {
	if f.zone == before.zone {
		f.zone = before.zone
	}
}

// rfc3339 reads date, time, decimals and zone, and notes their form.
func (f *Form) rfc3339(b []byte) (collector.Moment, error) {
	const shape = "0000-00-00T00:00:00"
	if len(b) < len(shape) {
		return 0, errNotTime
	}
	for i := range shape {
		switch c := shape[i]; {
		case c == '0' && b[i]-'0' > 9, c != '0' && c != 'T' && b[i] != c, c == 'T' && b[i] != 'T' && b[i] != 't' && b[i] != ' ':
			return 0, errNotTime
		}
	}
	if b[10] != 'T' {
		f.separator = b[10]
	}
	n := func(i int) int { return int(b[i]-'0')*10 + int(b[i+1]-'0') }
	year, month, day, hour, minute, second := n(0)*100+n(2), n(5), n(8), n(11), n(14), n(17)
	nanoseconds, rest, err := f.fraction(b[len(shape):])
	if err != nil {
		return 0, err
	}
	if err := f.readZone(rest); err != nil {
		return 0, err
	}
	last := time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
	if month < 1 || month > 12 || day < 1 || day > last || hour > 23 || minute > 59 || second > 60 {
		return 0, errNoSuch
	}
	if year < 1678 || year > 2261 {
		return 0, errRange
	}
	// a leap second is the first of the next minute
	t := time.Date(year, time.Month(month), day, hour, minute, second, nanoseconds, time.UTC)
	return collector.Moment(t.UnixNano() - int64(f.offset)*1e9), nil
}

// fraction reads the decimals of a second. What is finer than a nanosecond is cut off.
func (f *Form) fraction(b []byte) (nanoseconds int, rest []byte, err error) {
	if len(b) > 0 && b[0] == ',' {
		return 0, nil, errCommaSec
	}
	if len(b) == 0 || b[0] != '.' {
		return 0, b, nil
	}
	i, unit := 1, 100_000_000
	for ; i < len(b) && b[i]-'0' <= 9; i++ {
		nanoseconds += int(b[i]-'0') * unit
		unit /= 10
	}
	if i == 1 {
		return 0, nil, errNotTime
	}
	f.digits = uint8(min(i-1, 9))
	return nanoseconds, b[i:], nil
}

func (f *Form) readZone(b []byte) error {
	switch {
	case len(b) == 0:
		return errNoZone
	case len(b) == 1 && b[0]|0x20 == 'z':
		if b[0] == 'z' {
			f.zone = "z"
		}
		return nil
	case len(b) != len("+00:00") || b[0] != '+' && b[0] != '-' || b[3] != ':':
		return errNotTime
	}
	for _, i := range [...]int{1, 2, 4, 5} {
		if b[i]-'0' > 9 {
			return errNotTime
		}
	}
	hours, minutes := int32(b[1]-'0')*10+int32(b[2]-'0'), int32(b[4]-'0')*10+int32(b[5]-'0')
	if hours > 23 || minutes > 59 {
		return errNoSuch
	}
	f.zone, f.offset = string(b), hours*3600+minutes*60
	if b[0] == '-' {
		f.offset = -f.offset
	}
	return nil
}

// seconds reads a number of seconds to the nanosecond; plain decimals exactly.
func seconds(b []byte) (collector.Moment, error) {
	if m, ok := plainSeconds(b); ok {
		return m, nil
	}
	v, ok := number(b)
	switch {
	case ok && math.Abs(v) < 9.2e9:
		return collector.Moment(math.Round(v * 1e9)), nil
	case ok:
		return 0, errRange
	case isDecimalComma(b):
		return 0, errCommaSec
	}
	return 0, errNotTime
}

// plainSeconds reads up to nine digits before and after the point, or ten before it.
func plainSeconds(b []byte) (collector.Moment, bool) {
	negative := b[0] == '-'
	if negative {
		b = b[1:]
	}
	whole, decimals, point := bytes.Cut(b, []byte{'.'})
	if len(whole) == 0 || len(whole) > 10 || len(decimals) > 9 || point && len(decimals) == 0 {
		return 0, false
	}
	var n int64
	for _, c := range whole {
		if c-'0' > 9 {
			return 0, false
		}
		n = n*10 + int64(c-'0')
	}
	if n >= 9.2e9 {
		return 0, false
	}
	unit := int64(1e9)
	n *= unit
	for _, c := range decimals {
		if c-'0' > 9 {
			return 0, false
		}
		unit /= 10
		n += int64(c-'0') * unit
	}
	if negative {
		n = -n
	}
	return collector.Moment(n), true
}
