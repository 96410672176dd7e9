package configs

import (
	"slices"
	"strings"

	"roundsman/configs/strict"
	"roundsman/rules"
)

// conditions are the named truths of the site file, and those that a rule
// writes out itself, in an order in which each stands after those it names.
type conditions struct {
	index map[string]int
	list  []rules.Condition
	at    []*strict.Value
	used  []bool
}

func (c *conditions) find(name string) (int, bool) {
	if c == nil {
		return 0, false
	}
	i, ok := c.index[name]
	return i, ok
}

func (c *conditions) use(i int) { c.used[i] = true }

func (c *conditions) names() []string {
	if c == nil {
		return nil
	}
	out := make([]string, 0, len(c.index))
	for n := range c.index {
		out = append(out, n)
	}
	slices.Sort(out)
	return out
}

func (c *conditions) add(name string, v *strict.Value) int {
	i := len(c.list)
	c.index[name] = i
	c.list = append(c.list, rules.Condition{Name: name})
	c.at = append(c.at, v)
	c.used = append(c.used, false)
	return i
}

func (b *builder) readConditions(vs *strict.Value) {
	b.conditions = &conditions{index: map[string]int{}}
	for _, v := range vs.Entries() {
		if !goodName(v) {
			continue
		}
		if b.byName[v.Key()] != nil {
			v.KeyFailf("a point has this name already")
			continue
		}
		b.conditions.add(v.Key(), v)
	}
	for i := range b.conditions.list {
		b.readCondition(&b.conditions.list[i], b.conditions.at[i])
	}
	b.orderConditions()
}

func (b *builder) readCondition(c *rules.Condition, v *strict.Value) {
	if !v.IsTable() {
		c.Terms = b.terms(v)
		return
	}
	all, either, not := v.Get("all"), v.Get("any"), v.Get("not")
	switch {
	case v.Has("any") && (v.Has("all") || v.Has("not")):
		v.KeyFailf("any stands alone; put the rest into a condition of its own")
	case either != nil:
		c.Terms, c.Any = b.terms(either), true
	default:
		c.Terms = b.terms(all)
		if not != nil {
			if t, ok := b.term(not); ok {
				t.Not = !t.Not
				c.Terms = append(c.Terms, t)
			}
		}
	}
	c.Hold = b.duration(v.Get("hold"), 0)
	c.Until = b.terms(v.Get("until"))
	c.AtMost = b.positive(v.Get("at-most"), 0)
	if h := v.Get("hours"); h != nil {
		if hours := b.hours(h); hours != nil {
			c.Hours = hours
		}
	}
	switch {
	case v.Has("at-most") && v.Has("hours"):
		v.Get("at-most").KeyFailf("does not go with hours")
	case !v.Has("all") && !v.Has("any") && !v.Has("not") && !v.Has("hours"):
		v.Missing("all, any, not or hours is missing: what must hold?")
	}
}

// orderConditions sorts the conditions so that each stands after those its
// terms name, and complains about those that wait for themselves.
func (b *builder) orderConditions() {
	c := b.conditions
	order := make([]int, 0, len(c.list))
	state := make([]uint8, len(c.list)) // 0 new, 1 on the way, 2 done
	var visit func(i int, path []string)
	visit = func(i int, path []string) {
		path = append(path, c.list[i].Name)
		switch state[i] {
		case 2:
			return
		case 1:
			path = path[slices.Index(path, c.list[i].Name):]
			c.at[i].KeyFailf("waits for itself: %s", chain(path))
			return
		}
		state[i] = 1
		for _, t := range slices.Concat(c.list[i].Terms, c.list[i].Until) {
			if t.Condition >= 0 {
				visit(t.Condition, path)
			}
		}
		state[i] = 2
		order = append(order, i)
	}
	for i := range c.list {
		visit(i, nil)
	}
	c.reorder(order)
}

// chain prints a cycle of names, cut where it is long.
func chain(path []string) string {
	if len(path) > 8 {
		path = slices.Concat(path[:4], []string{"..."}, path[len(path)-3:])
	}
	return strings.Join(path, " -> ")
}

func (c *conditions) reorder(order []int) {
	to := make([]int, len(order))
	for n, old := range order {
		to[old] = n
	}
	next := conditions{index: map[string]int{}}
	for _, old := range order {
		cond := c.list[old]
		renumber(cond.Terms, to)
		renumber(cond.Until, to)
		next.index[cond.Name] = len(next.list)
		next.list = append(next.list, cond)
		next.at = append(next.at, c.at[old])
		next.used = append(next.used, c.used[old])
	}
	*c = next
}

func renumber(terms []rules.Term, to []int) {
	for i := range terms {
		if terms[i].Condition >= 0 {
			terms[i].Condition = to[terms[i].Condition]
		}
	}
}

// suppressors returns the conditions of suppress-when. A term that is no
// condition by itself becomes one, named as it is written.
func (b *builder) suppressors(v *strict.Value) []int {
	var out []int
	for _, e := range v.Entries() {
		text := strings.TrimSpace(e.Text())
		if i, ok := b.conditions.find(text); ok {
			b.conditions.use(i)
			out = append(out, i)
			continue
		}
		t, ok := b.term(e)
		if !ok {
			continue
		}
		i := b.conditions.add(text, nil)
		b.conditions.use(i)
		b.conditions.list[i].Terms = []rules.Term{t}
		out = append(out, i)
	}
	return out
}
