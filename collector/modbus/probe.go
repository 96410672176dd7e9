package modbus

import (
	"bytes"
	"context"
	"errors"
	"math"
	"slices"
	"time"

	"roundsman/collector/modbus/wire"
)

// Question is one request that is asked again and again.
type Question struct {
	Unit  uint8
	Table Table
	Start uint16
	Count uint16 // 0: 1
	// Listen is how long a serial line is listened to before the first request, for others who talk on it.
	Listen time.Duration
}

// Tally counts how the exchanges of one question ended, and on a line with RTU
// frames what was heard beside proper answers.
type Tally struct {
	Options  Options // complete
	Question Question

	Asked      int
	Answered   int // with values or an exception
	Exceptions int
	Last       error // how the last exchange without values ended; nil if all brought some

	Silent  int // nothing came
	Echoed  int // our own request came back first
	Echo    int // and nothing else
	Twice   int // a second sound frame of the unit followed the answer
	Crowded int // further bytes followed the answer
	Spoiled int // CRC wrong
	Mixed   int // CRC wrong and longer than the answer
	Cut     int // less than the answer
	Garbage int // no frame
	Zeros   int // of Garbage: mostly characters that were received as 0, as with wrong parity
	Closed  int // the connection was closed

	Before []byte   // heard before the first request: somebody else talks
	Others []uint8  // other units that were heard
	Values [][]byte // the different answers, in the order they first came, at most 8
	Flips  int      // how often an answer differed from the one before

	times []time.Duration // of the answers
}

// lump is how much later than its bits a USB adapter may deliver a character.
const lump = 20 * time.Millisecond

// Probe asks a question so many times and counts what came; when nothing at all
// comes of the first three it ends. told, if not nil, is called after each
// exchange. The error says that the line cannot be opened.
func Probe(ctx context.Context, opts Options, q Question, times int, told func(done int)) (*Tally, error) {
	opts = opts.complete()
	opts.Retries = 0
	if err := opts.check(); err != nil {
		return nil, err
	}
	p, err := newProber(ctx, opts, q.Listen)
	if err != nil {
		return nil, err
	}
	defer p.reader.Close()
	t := &Tally{Options: opts, Question: q, Before: p.before}
	for n := range times {
		if err := p.ask(ctx, t); err != nil {
			return t, err
		}
		if told != nil {
			told(n + 1)
		}
		if n+1 == soonEnough && t.mute() {
			break
		}
	}
	return t, ctx.Err()
}

// soonEnough is after how many questions without a sign of life no more are asked.
const soonEnough = 3

// mute reports whether nothing at all came back.
func (t *Tally) mute() bool {
	return t.Answered+t.Echo+t.Spoiled+t.Mixed+t.Cut+t.Garbage == 0 && len(t.Others) == 0
}

// prober asks over a line that it can listen to.
type prober struct {
	opts   Options
	reader *reader
	ear    func() *ear
	before []byte
}

// newProber opens the line and listens to it before anything is asked.
func newProber(ctx context.Context, opts Options, listen time.Duration) (*prober, error) {
	p := &prober{opts: opts}
	opts, p.ear = hearing(opts)
	p.reader = newReader(opts)
	if err := p.reader.Connect(ctx); err != nil {
		return nil, err
	}
	if opts.Transport == RTU && listen > 0 {
		p.before = bytes.Clone(p.ear().listen(listen))
		p.ear().forget()
	}
	return p, ctx.Err()
}

// ask makes one exchange. Its error is that of a line that cannot be opened.
func (p *prober) ask(ctx context.Context, t *Tally) error {
	if err := p.reader.Connect(ctx); err != nil {
		return err
	}
	q := t.Question
	data, err := p.reader.read(q.Unit, q.Table, q.Start, max(q.Count, 1))
	if ctx.Err() != nil {
		return ctx.Err()
	}
	e := p.ear()
	t.Asked++
	if err == nil || isException(err) {
		t.times = append(t.times, e.last.Sub(e.begun))
	}
	if p.opts.Transport != TCP && p.reader.Connected() {
		e.listen(max(lump, p.opts.silence()))
	}
	t.count(data, err)
	if p.opts.Transport != TCP {
		t.hear(e.sent, e.heard)
	}
	e.forget()
	return nil
}

// silence returns the silence between frames.
func (o Options) silence() time.Duration {
	if o.Transport != RTU {
		return 0
	}
	return o.mode().Silence()
}

// count notes how an exchange ended.
func (t *Tally) count(data []byte, err error) {
	var x Exception
	switch {
	case err == nil:
		t.Answered++
		t.compare(data)
		return
	case errors.As(err, &x):
		t.Answered++
		t.Exceptions++
	case wire.ReasonOf(err) == wire.Closed:
		t.Closed++
	}
	t.Last = err
}

// compare notes whether the answer differs from the one before.
func (t *Tally) compare(data []byte) {
	const most = 8
	known := slices.IndexFunc(t.Values, func(v []byte) bool { return bytes.Equal(v, data) })
	if n := len(t.Values); n > 0 && !bytes.Equal(t.Values[n-1], data) {
		t.Flips++
	}
	switch {
	case known >= 0: // the latest stands last
		t.Values = append(slices.Delete(t.Values, known, known+1), bytes.Clone(data))
	case len(t.Values) < most:
		t.Values = append(t.Values, bytes.Clone(data))
	default:
		t.Values[most-1] = bytes.Clone(data)
	}
}

// hear sorts what was heard after one request.
func (t *Tally) hear(request, heard []byte) {
	s, echo := heardOf(request, heard)
	if echo {
		t.Echoed++
	}
	counts := map[sort]*int{nothing: &t.Silent, ownRequest: &t.Echo, twice: &t.Twice, crowded: &t.Crowded,
		spoiled: &t.Spoiled, mixed: &t.Mixed, cut: &t.Cut, garbage: &t.Garbage}
	if n := counts[s]; n != nil {
		*n++
	}
	if s == garbage && 2*bytes.Count(heard, []byte{0}) > len(heard) {
		t.Zeros++
	}
	for _, u := range unitsIn(heard) {
		if u != request[0] && !slices.Contains(t.Others, u) {
			t.Others = append(t.Others, u)
		}
	}
}

// Times are the response times of a tally: from the first byte of the request to the last of the answer.
type Times struct {
	Least, Median, P95, Most time.Duration
	Lost                     float64 // share of the exchanges that brought no answer
}

// Times returns the response times. Without an answer they are 0 and Lost is 1.
func (t *Tally) Times() Times {
	out := Times{Lost: 1}
	if t.Asked > 0 {
		out.Lost = float64(t.Asked-t.Answered) / float64(t.Asked)
	}
	if len(t.times) == 0 {
		return out
	}
	sorted := slices.Sorted(slices.Values(t.times))
	out.Least, out.Most = sorted[0], sorted[len(sorted)-1]
	out.Median, out.P95 = rank(sorted, 0.5), rank(sorted, 0.95)
	return out
}

// rank returns the smallest value that at least the given share of the sorted values do not exceed (nearest rank).
func rank(sorted []time.Duration, share float64) time.Duration {
	return sorted[max(0, int(math.Ceil(share*float64(len(sorted))))-1)]
}

// Turnaround returns what the device takes to begin its answer: the median
// response time less what the characters and the silence before the answer take.
// 0 where the line's speed says nothing (TCP) or too little was answered.
func (t *Tally) Turnaround() time.Duration {
	if t.Options.Transport != RTU || len(t.times) == 0 || t.Exceptions > 0 {
		return 0
	}
	m := t.Options.mode()
	request := []byte{0, byte(t.Question.Table), 0, 0, byte(t.Question.Count >> 8), byte(max(t.Question.Count, 1)), 0, 0}
	characters := len(request) + expected(request, nil)
	return max(0, t.Times().Median-time.Duration(characters)*m.Char()-m.Silence())
}
