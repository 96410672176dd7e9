package configs

import (
	"fmt"
	"time"

	"roundsman/collector/units"
	"roundsman/configs/strict"
)

// quantity parses the value with its unit.
func (b *builder) quantity(v *strict.Value) (units.Quantity, bool) {
	if v == nil {
		return units.Quantity{}, false
	}
	q, err := units.ParseQuantity(v.Text())
	if err != nil {
		v.Failf("%v", err)
		return q, false
	}
	return q, true
}

// in returns the value in the unit u of what, which is named in complaints: 'point'; an empty text names nothing.
func (b *builder) in(v *strict.Value, u units.Unit, what string) (float64, bool) {
	q, ok := b.quantity(v)
	if !ok {
		return 0, false
	}
	x, err := q.In(u)
	if err != nil {
		mismatch(v, what, u)
	}
	return x, err == nil
}

func mismatch(v *strict.Value, what string, u units.Unit) {
	if what == "" {
		v.Failf("%s: wanted is %s", v.Text(), describe(u))
		return
	}
	v.Failf("%s: %s is %s", v.Text(), what, describe(u))
}

// differenceIn is in for a difference of two values, such as a deadband.
func (b *builder) differenceIn(v *strict.Value, u units.Unit, what string) (float64, bool) {
	q, ok := b.quantity(v)
	if !ok {
		return 0, false
	}
	x, err := q.InDifference(u)
	if err != nil {
		mismatch(v, what, u)
	}
	return x, err == nil
}

// describe returns what a unit measures: 'a pressure (bar)'.
func describe(u units.Unit) string {
	d := u.Dimension()
	article := "a"
	if len(d) > 0 && (d[0] == 'a' || d[0] == 'e' || d[0] == 'i' || d[0] == 'o') {
		article = "an"
	}
	if u == units.None {
		return article + " " + d
	}
	return fmt.Sprintf("%s %s (%s)", article, d, u)
}

// duration returns a time, otherwise if the value is absent or wrong.
func (b *builder) duration(v *strict.Value, otherwise time.Duration) time.Duration {
	if v == nil {
		return otherwise
	}
	d, err := units.ParseDuration(v.Text())
	if err != nil {
		v.Failf("%v", err)
		return otherwise
	}
	return d
}

// positive is duration for a time that must be longer than nothing.
func (b *builder) positive(v *strict.Value, otherwise time.Duration) time.Duration {
	d := b.duration(v, otherwise)
	if v != nil && d <= 0 {
		v.Failf("%s must be longer than nothing", v.Text())
		return otherwise
	}
	return d
}

// unit returns the unit that the value names.
func (b *builder) unit(v *strict.Value) units.Unit {
	if v == nil {
		return units.None
	}
	u, err := units.Parse(v.Text())
	if err != nil {
		v.Failf("%v", err)
	}
	return u
}

// must returns a unit of the catalog by a symbol that this package wrote.
func must(symbol string) units.Unit {
	u, err := units.Parse(symbol)
	if err != nil {
		return units.None
	}
	return u
}

// timeUnit returns the unit of a rate per second.
func perSecond(u units.Unit) units.Unit {
	p, err := u.Per(must("s"))
	if err != nil {
		return units.None
	}
	return p
}

// inText is in for a quantity that is part of a longer text.
func (b *builder) inText(v *strict.Value, text string, p *point) (float64, bool) {
	q, err := units.ParseQuantity(text)
	if err != nil {
		v.Failf("%v", err)
		return 0, false
	}
	x, err := q.In(p.unit)
	if err != nil {
		v.Failf("%s: %s is %s", text, p.Name, describe(p.unit))
	}
	return x, err == nil
}

// optional is in for a value that may be absent: 0 then.
func (b *builder) optional(v *strict.Value, u units.Unit, what string) (float64, bool) {
	if v == nil {
		return 0, true
	}
	return b.in(v, u, what)
}
