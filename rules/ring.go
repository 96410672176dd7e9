package rules

// ring is a queue that is also looked into: windows of samples, starts and amounts live in it.
// It grows to what its window needs and then allocates no more.
type ring[T any] struct {
	buf  []T
	head int
	n    int
}

func (r *ring[T]) len() int { return r.n }

// at returns the i-th element from the oldest.
func (r *ring[T]) at(i int) *T {
	i += r.head
	if i >= len(r.buf) {
		i -= len(r.buf)
	}
	return &r.buf[i]
}

func (r *ring[T]) first() *T { return r.at(0) }
func (r *ring[T]) last() *T  { return r.at(r.n - 1) }

func (r *ring[T]) push(v T) {
	if r.n == len(r.buf) {
		r.grow()
	}
	r.n++
	*r.at(r.n - 1) = v
}

func (r *ring[T]) grow() {
	buf := make([]T, max(8, 2*r.n))
	for i := range r.n {
		buf[i] = *r.at(i)
	}
	r.buf, r.head = buf, 0
}

func (r *ring[T]) dropFirst() {
	r.head++
	if r.head == len(r.buf) {
		r.head = 0
	}
	r.n--
}

func (r *ring[T]) dropLast() { r.n-- }

func (r *ring[T]) clear() { r.head, r.n = 0, 0 }

// list returns a copy, oldest first; nil when empty.
func (r *ring[T]) list() []T {
	var l []T
	for i := range r.n {
		l = append(l, *r.at(i))
	}
	return l
}

func (r *ring[T]) fill(l []T) {
	r.clear()
	for _, v := range l {
		r.push(v)
	}
}
