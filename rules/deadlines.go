package rules

import "roundsman/collector"

// deadlines is a binary heap of moments, one for each of n keys, that can be
// moved. It answers 'what comes next' in one look, so the engine never polls.
type deadlines struct {
	due  []collector.Moment // by key; Never when not in the heap
	pos  []int32            // by key: its place in heap, -1 none
	heap []int32            // keys
}

func newDeadlines(n int) deadlines {
	d := deadlines{due: make([]collector.Moment, n), pos: make([]int32, n), heap: make([]int32, 0, n)}
	for i := range n {
		d.due[i], d.pos[i] = collector.Never, -1
	}
	return d
}

// next returns the earliest deadline, Never if there is none.
func (d *deadlines) next() collector.Moment {
	if len(d.heap) == 0 {
		return collector.Never
	}
	return d.due[d.heap[0]]
}

// pop takes the earliest out and returns its key.
func (d *deadlines) pop() int {
	k := int(d.heap[0])
	d.set(k, collector.Never)
	return k
}

// set moves the deadline of key k; Never takes it out.
func (d *deadlines) set(k int, at collector.Moment) {
	if d.due[k] == at {
		return
	}
	d.due[k] = at
	i := int(d.pos[k])
	if i < 0 {
		i = len(d.heap)
		d.heap = append(d.heap, int32(k))
		d.pos[k] = int32(i)
	}
	if at == collector.Never {
		d.remove(i)
		return
	}
	d.down(d.up(i))
}

func (d *deadlines) remove(i int) {
	last := len(d.heap) - 1
	d.swap(i, last)
	d.pos[d.heap[last]] = -1
	d.heap = d.heap[:last]
	if i < last {
		d.down(d.up(i))
	}
}

func (d *deadlines) less(i, j int) bool { return d.due[d.heap[i]] < d.due[d.heap[j]] }

func (d *deadlines) swap(i, j int) {
	h := d.heap
	h[i], h[j] = h[j], h[i]
	d.pos[h[i]], d.pos[h[j]] = int32(i), int32(j)
}

func (d *deadlines) up(i int) int {
	for i > 0 {
		parent := (i - 1) / 2
		if !d.less(i, parent) {
			break
		}
		d.swap(i, parent)
		i = parent
	}
	return i
}

func (d *deadlines) down(i int) {
	for {
		c := 2*i + 1
		if c >= len(d.heap) {
			return
		}
		if c+1 < len(d.heap) && d.less(c+1, c) {
			c++
		}
		if !d.less(c, i) {
			return
		}
		d.swap(i, c)
		i = c
	}
}
