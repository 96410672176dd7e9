package plan

// The choice of the requests for one chain of items, by dynamic programming.
//
// In a chain both starts and ends rise, so some best plan cuts it into runs of
// neighbours: if item i before item j were served by a later request than j's,
// j's request would contain i as well. The best plan of the first k items is
// therefore the best over all last runs i..k of
//
//	best(i-1) + cost(end(k) - start(i))
//
// The cost grows evenly with each chunk (a register, or eight bits that begin
// a byte of the answer), so which i is best does not depend on k but for the
// window that the limit allows: a queue kept in order of worth gives it without
// a search. Bits count in whole bytes from the start of the run, hence a queue for
// each remainder of the start by eight.

// price is what a plan costs, kept as counts so that nothing is rounded.
type price struct{ requests, bytes int64 }

// less reports whether p is cheaper than o; of equal cost it has fewer requests, then fewer bytes.
func (c costs) less(p, o price) bool {
	a := p.requests*c.fixed + p.bytes*c.perByte
	b := o.requests*c.fixed + o.bytes*c.perByte
	if a != b {
		return a < b
	}
	if p.requests != o.requests {
		return p.requests < o.requests
	}
	return p.bytes < o.bytes
}

// run is a possible last run: it begins with the item at, and before it the
// items up to at-1 cost what worth says, less the bytes of the chunks below its start.
type run struct {
	at    int
	worth price
}

// queue holds possible runs with the best first; each later one is worse but stays longer in the window.
type queue struct {
	runs []run
	head int
}

func (q *queue) push(c costs, r run) {
	for len(q.runs) > q.head && !c.less(q.runs[len(q.runs)-1].worth, r.worth) {
		q.runs = q.runs[:len(q.runs)-1]
	}
	q.runs = append(q.runs, r)
}

// best drops the runs that begin before the item first and returns the best of the rest.
func (q *queue) best(first int) (run, bool) {
	for q.head < len(q.runs) && q.runs[q.head].at < first {
		q.head++
	}
	if q.head == len(q.runs) {
		return run{}, false
	}
	return q.runs[q.head], true
}

// cover returns the best requests for one chain of outer items.
func (t *table) cover(chain []int, inside map[int][]int) []Request {
	begins := t.cuts(chain)
	var requests []Request
	for k := len(chain); k > 0; k = begins[k-1] {
		requests = append(requests, t.request(chain[begins[k-1]:k], inside))
	}
	for i, j := 0, len(requests)-1; i < j; i, j = i+1, j-1 {
		requests[i], requests[j] = requests[j], requests[i]
	}
	return requests
}

// cuts returns, for each item of the chain, where the last run of the best plan up to it begins.
func (t *table) cuts(chain []int) []int {
	chunk, bytes := 1, int64(2) // addresses and answer bytes of one chunk
	if isBits(t.items[chain[0]].Table) {
		chunk, bytes = 8, 1
	}
	queues := make([]queue, chunk)
	begins := make([]int, len(chain))
	var before price // of the best plan up to the item before k
	first := 0       // the first item that may share a request with k
	for k, i := range chain {
		start, end := int(t.items[i].Start), t.items[i].end()
		worth := price{before.requests + 1, before.bytes - bytes*int64(start/chunk)}
		queues[start%chunk].push(t.costs, run{k, worth})
		for end-int(t.items[chain[first]].Start) > t.limit.Max {
			first++
		}
		before, begins[k] = t.best(queues, first, end, bytes)
	}
	return begins
}

// best returns the cheapest of the queues' best runs when they end at the address end.
func (t *table) best(queues []queue, first, end int, bytes int64) (price, int) {
	var found price
	at := -1
	for rest := range queues {
		r, ok := queues[rest].best(first)
		if !ok {
			continue
		}
		chunks := (end - rest + len(queues) - 1) / len(queues)
		p := price{r.worth.requests, r.worth.bytes + bytes*int64(chunks)}
		if at < 0 || t.costs.less(p, found) {
			found, at = p, r.at
		}
	}
	return found, at
}

// request returns the request that serves a run of outer items and what lies inside them.
func (t *table) request(run []int, inside map[int][]int) Request {
	a, b := t.items[run[0]], t.items[run[len(run)-1]]
	r := Request{Unit: a.Unit, Table: a.Table, Start: a.Start, Count: uint16(b.end() - int(a.Start))}
	for _, i := range run {
		r.Items = append(r.Items, i)
		r.Items = append(r.Items, inside[i]...)
	}
	return r
}
