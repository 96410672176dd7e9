// Package draw makes small drawings of what was kept, as SVG of our own look: the trend of a value with its limits, the
// strip of when something ran, and bars against a limit. It is pure: the same values give the same bytes. What is not
// known is never drawn: a gap stays a gap.
//
// The drawings hold no script and no inline style, so a page with a strict content-security policy may carry them; they
// stretch to the width they are given while their words keep their size. Put Style into the page's style sheet; it takes
// the page's own colours (--ink, --soft, --line, ...) where there are any.
//
//	t := draw.Trend{ID: "t", Title: "Header pressure", From: from, To: to, Step: time.Minute, Zone: zone, Unit: "bar", Steps: steps,
//		Limits: []draw.Limit{{Value: 5.5, Words: "low 5.50 bar"}}}
//	page.Trend = t.SVG()
package draw

import (
	_ "embed"
	"html/template"
	"math"
	"strconv"
	"strings"
)

//go:embed draw.css
var style string

// Style returns the style sheet of all drawings, readable on a light and a dark screen and in black print.
func Style() string { return style }

// wide is the width of a drawing's plot in its own units; it is stretched to what the page has.
const wide = 1000

// canvas collects a drawing.
type canvas struct{ b []byte }

// put appends parts: text as it stands, numbers in tenths, and words with their special letters escaped.
func (c *canvas) put(parts ...any) {
	for _, p := range parts {
		switch p := p.(type) {
		case string:
			c.b = append(c.b, p...)
		case int:
			c.b = strconv.AppendInt(c.b, int64(p), 10)
		case int64:
			c.b = strconv.AppendInt(c.b, p, 10)
		case float64:
			c.b = appendTenths(c.b, tenths(p))
		case share:
			c.b = append(strconv.AppendFloat(c.b, math.Round(1000*100*float64(p))/1000, 'f', -1, 64), '%')
		case words:
			c.b = append(c.b, escape(string(p))...)
		}
	}
}

// words are of a person or a file, not of this package.
type words string

// share is a part of the drawing's width.
type share float64

// escape returns text that may stand between tags and in a quoted attribute. Letters that XML has not are left out.
func escape(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' && r != '\n' && r != '\t' || r == 0x7f || r == 0xfffe || r == 0xffff {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
	return template.HTMLEscapeString(s)
}

// plainID returns an id that is safe in an attribute and a reference: letters, digits and hyphens.
func plainID(s string) string {
	id := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '-'
	}, s)
	if id == "" {
		return "drawing"
	}
	return id
}

// open begins a drawing: its name and what it shows for those who do not see it.
func (c *canvas) open(class, id string, height int, title, desc string, attributes ...any) {
	c.put(`<svg class="drawing `, class, `" role="img" width="100%" height="`, height, `" aria-labelledby="`, id, `-t `, id, `-d"`)
	c.put(attributes...)
	c.put(`><title id="`, id, `-t">`, words(title), `</title><desc id="`, id, `-d">`, words(desc), `</desc>`)
}

// hatch declares the pattern of what is not known.
func (c *canvas) hatch(id string) {
	c.put(`<pattern id="`, id, `-h" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path class="hatch" d="M0 0v6" stroke="currentColor"/></pattern>`)
}

func (c *canvas) html() template.HTML { return template.HTML(c.b) } // made of escaped parts only

// tenths returns v in whole tenths; what is no number is 0, and nothing is farther than a million.
func tenths(v float64) int {
	if math.IsNaN(v) {
		return 0
	}
	return int(math.Round(10 * min(max(v, -1e6), 1e6)))
}

// appendTenths writes n tenths as short as SVG allows: 12, 1.5, -.5.
func appendTenths(b []byte, n int) []byte {
	if n < 0 {
		b, n = append(b, '-'), -n
	}
	if n >= 10 || n == 0 {
		b = strconv.AppendInt(b, int64(n/10), 10)
	}
	if n%10 != 0 {
		b = append(b, '.', byte('0'+n%10))
	}
	return b
}

// pen writes path data (SVG 2, section 9.3) in tenths, each line relative to the rounded place before it, so that
// rounding never adds up. Level stretches become one.
type pen struct {
	b     []byte
	x, y  int  // where it stands
	level int  // x up to which a level stretch is not written yet
	lines bool // the last command was a line: its letter need not be said again
}

func (p *pen) move(x, y float64) {
	p.flush()
	p.x, p.y, p.lines = tenths(x), tenths(y), false
	p.level = p.x
	p.b = append(p.b, 'M')
	p.b = p.number(appendTenths(p.b, p.x), p.y)
}

func (p *pen) line(x, y float64) {
	nx, ny := tenths(x), tenths(y)
	if ny == p.y && (p.level == p.x || (nx > p.level) == (p.level > p.x)) { // goes on the same way
		p.level = nx
		return
	}
	p.flush()
	if nx == p.x && ny == p.y {
		return
	}
	if !p.lines {
		p.b, p.lines = appendTenths(append(p.b, 'l'), nx-p.x), true
	} else {
		p.b = p.number(p.b, nx-p.x)
	}
	p.b = p.number(p.b, ny-p.y)
	p.x, p.y, p.level = nx, ny, nx
}

// number appends a number after another one.
func (p *pen) number(b []byte, n int) []byte {
	if n >= 0 {
		b = append(b, ' ')
	}
	return appendTenths(b, n)
}

func (p *pen) flush() {
	if p.level != p.x {
		p.b = appendTenths(append(p.b, 'h'), p.level-p.x)
		p.x, p.lines = p.level, false
	}
}

func (p *pen) close() {
	p.flush()
	p.b, p.lines = append(p.b, 'z'), false
}

func (p *pen) path() string {
	p.flush()
	return string(p.b)
}
