package duty

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// Errors of Explain.
var (
	// ErrNotAsked: no jump of that kind of register waits to be explained.
	ErrNotAsked = errors.New("nothing is asked")
	// ErrUnlikely: what was said cannot be, or cannot be all.
	ErrUnlikely = errors.New("that cannot be")
)

// Explanation is what a person says of a jump. What ran meanwhile follows from what the register showed last before it and
// first after it, in its own unit; NaN means not known.
type Explanation struct {
	Was JumpKind
	// Last is what it showed last before it: of what rolled over the value at which it begins anew. Not known: what was
	// read last, and of what rolled over the next power of ten.
	Last float64
	// First is what it began with afterwards. Not known: 0 of what was reset or rolled over, which begins anew; of another
	// register what was read first.
	First float64
}

// Explained is what followed from an explanation.
type Explained struct {
	Jump
	Was    JumpKind
	Run    time.Duration // added to the run time
	Starts uint64        // added to the starts
}

// Asked returns the jumps that wait to be explained, the oldest first.
func (m *Meter) Asked() []Jump { return slices.Clone(m.k.Asked) }

// Explain takes an explanation of the oldest jump that waits, of the hour meter or of the counter of starts. What was counted
// before the jump stays; what the register tells of the time in between is added, as seen instead of not seen, but to no
// interval: when in that time it ran is not known. The error wraps ErrNotAsked or ErrUnlikely, and then nothing is changed.
func (m *Meter) Explain(hours bool, e Explanation) (Explained, error) {
	i := slices.IndexFunc(m.k.Asked, func(j Jump) bool { return j.Hours == hours })
	r := m.starts
	if hours {
		r = m.register
	}
	if i < 0 || r == nil {
		return Explained{}, ErrNotAsked
	}
	out := Explained{Jump: m.k.Asked[i], Was: e.Was}
	missing, err := r.missing(&out.Jump, e)
	if err != nil {
		return Explained{}, err
	}
	if hours {
		out.Run = min(time.Duration(missing*float64(r.Unit)).Round(time.Second), out.Gap)
	} else {
		out.Starts = uint64(math.Round(missing))
	}
	m.k.Asked = slices.Delete(m.k.Asked, i, i+1)
	m.k.add(out.Run, out.Starts)
	m.moved = true
	return out, nil
}

// missing returns by how much a register rose that jumped, in its own unit.
func (r *register) missing(j *Jump, e Explanation) (float64, error) {
	if e.Was == Misread {
		return 0, nil // what it rose by is in the next look, or in the next question
	}
	last, first := e.Last, e.First
	if math.IsNaN(last) {
		if last = j.From; e.Was == RolledOver {
			last = math.Pow(10, math.Ceil(math.Log10(math.Max(j.From, 1)+r.Step)))
		}
	}
	if math.IsNaN(first) {
		if first = 0; e.Was == Replaced {
			first = j.To
		}
	}
	missing, most := last-j.From+j.To-first, r.most(j.Gap)
	switch {
	case !(last >= j.From-r.Step/2): // it may be NaN
		return 0, fmt.Errorf("%w: it showed %.10g at the end, but was read at %.10g before", ErrUnlikely, last, j.From)
	case !(first <= j.To+r.Step/2):
		return 0, fmt.Errorf("%w: it began with %.10g, but was read at %.10g after", ErrUnlikely, first, j.To)
	case !(missing <= most):
		return 0, fmt.Errorf("%w: it would have risen by %.10g in the %v in which it was not followed; at most %.4g is possible",
			ErrUnlikely, missing, j.Gap.Round(time.Second), most)
	}
	return max(missing, 0), nil
}

// add adds what is in no interval.
func (k *Kept) add(run time.Duration, starts uint64) {
	k.Run, k.Before.Run = k.Run+run, k.Before.Run+run
	k.Seen, k.Before.Seen = k.Seen+run, k.Before.Seen+run
	k.Unseen, k.Before.Unseen = k.Unseen-run, k.Before.Unseen-run
	k.Starts, k.Before.Starts = k.Starts+starts, k.Before.Starts+starts
}
