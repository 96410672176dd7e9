package plan

import (
	"cmp"
	"errors"
	"slices"

	"roundsman/collector/sorting"
)

// Most registers and bits one request may ask for: MODBUS Application Protocol V1.1b3, 6.1 to 6.4.
const (
	maxRegisters = 125
	maxBits      = 2000
)

// Build returns the requests that read all items at the least line time, and
// of those with equal time the fewest. Each item is served whole by one
// request, which touches no forbidden address. The requests come sorted by
// unit, table and address.
//
// limit says what a unit allows; nil, or a Max of 0, means what the protocol
// allows: 125 registers, 2000 bits. An item that no request can read is left
// out and named by an *ItemError in the joined error; the plan serves the rest.
//
// The cost is n log n for the sorting and linear for the choice.
func Build(items []Item, limit func(unit, table uint8) Limit, line Line) ([]Request, error) {
	order := make([]int, len(items))
	for i := range order {
		order[i] = i
	}
	sorting.StableFunc(order, func(a, b int) int { return compare(items[a], items[b]) })

	var requests []Request
	var errs []error
	for len(order) > 0 {
		first := items[order[0]]
		n := 1
		for n < len(order) && sameTable(items[order[n]], first) {
			n++
		}
		t := table{items: items, limit: limitOf(limit, first), costs: line.costs(first.Unit)}
		got, err := t.build(order[:n])
		requests = append(requests, got...)
		errs = append(errs, err)
		order = order[n:]
	}
	return requests, errors.Join(errs...)
}

// Each returns the plan of one request an item: what reading point by point would cost.
func Each(items []Item) []Request {
	requests := make([]Request, len(items))
	for i, it := range items {
		requests[i] = Request{Unit: it.Unit, Table: it.Table, Start: it.Start, Count: it.Count, Items: []int{i}}
	}
	return requests
}

// compare sorts by unit, table and start; of two with one start the longer comes first.
func compare(a, b Item) int {
	return cmp.Or(cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Table, b.Table),
		cmp.Compare(a.Start, b.Start), cmp.Compare(b.Count, a.Count))
}

func sameTable(a, b Item) bool { return a.Unit == b.Unit && a.Table == b.Table }

// limitOf returns the limit of the item's table with a usable Max and Forbidden sorted.
func limitOf(limit func(unit, table uint8) Limit, it Item) Limit {
	var l Limit
	if limit != nil {
		l = limit(it.Unit, it.Table)
	}
	most := maxRegisters
	if isBits(it.Table) {
		most = maxBits
	}
	if l.Max <= 0 || l.Max > most {
		l.Max = most
	}
	l.Forbidden = joined(l.Forbidden)
	return l
}

// joined returns the spans in order, with those that touch made one and empty ones left out.
func joined(spans []Span) []Span {
	sorted := slices.SortedFunc(slices.Values(spans), func(a, b Span) int { return cmp.Compare(a.First, b.First) })
	var out []Span
	for _, s := range sorted {
		switch n := len(out); {
		case s.Last < s.First:
		case n > 0 && int(s.First) <= int(out[n-1].Last)+1:
			out[n-1].Last = max(out[n-1].Last, s.Last)
		default:
			out = append(out, s)
		}
	}
	return out
}

// end returns the address after the item's last.
func (it Item) end() int { return int(it.Start) + int(it.Count) }

// table plans one table of one unit.
type table struct {
	items []Item
	limit Limit
	costs costs
}

// build plans the items of the table, given in order of their start.
func (t *table) build(order []int) ([]Request, error) {
	good, errs := t.check(order)
	chains, inside := t.outer(good)
	var requests []Request
	for _, chain := range chains {
		requests = append(requests, t.cover(chain, inside)...)
	}
	return requests, errors.Join(errs...)
}

// check parts the items that a request can read from those that none can.
func (t *table) check(order []int) (good []int, errs []error) {
	for _, i := range order {
		if why := t.unreadable(t.items[i]); why != "" {
			errs = append(errs, &ItemError{Index: i, Item: t.items[i], Reason: why})
			continue
		}
		good = append(good, i)
	}
	return good, errs
}

// outer drops the items that lie inside another one, and cuts what remains
// into chains wherever a forbidden address lies between two neighbours. In a
// chain both starts and ends rise. inside holds, for each outer item, the items
// that its request serves along with it.
func (t *table) outer(order []int) (chains [][]int, inside map[int][]int) {
	inside = make(map[int][]int)
	last := -1
	for _, i := range order {
		switch {
		case last >= 0 && t.items[i].end() <= t.items[last].end():
			inside[last] = append(inside[last], i)
			continue
		case last < 0 || t.cutBetween(t.items[last], t.items[i]):
			chains = append(chains, nil)
		}
		c := &chains[len(chains)-1]
		*c = append(*c, i)
		last = i
	}
	return chains, inside
}

// cutBetween reports whether a forbidden address lies between two items. The
// items themselves touch none, so it is enough to look at the gap.
func (t *table) cutBetween(a, b Item) bool {
	return t.limit.touches(a.end(), int(b.Start))
}

// touches reports whether a forbidden address lies from the address first up to, not including, end.
func (l Limit) touches(first, end int) bool {
	i, _ := slices.BinarySearchFunc(l.Forbidden, first, func(s Span, at int) int { return cmp.Compare(int(s.Last), at) })
	return first < end && i < len(l.Forbidden) && int(l.Forbidden[i].First) < end
}
