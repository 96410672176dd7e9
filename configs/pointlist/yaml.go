package pointlist

import (
	"bytes"
	"cmp"
	"fmt"
	"regexp"
	"strings"
)

// bare values need no quotes in YAML's flow style.
var bareValue = regexp.MustCompile(`^-?[A-Za-z0-9][A-Za-z0-9./ ^+-]*$`)

// quoted puts a value in quotes where YAML needs them.
func quoted(s string) string {
	if bareValue.MatchString(s) {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", "''") + "'"
}

// YAML returns the site file, with every doubt as a comment beside its point. It passes 'roundsman check'.
func (d *Draft) YAML() []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "# Made of %s: %d points, %d doubts. Each doubt stands above its point, with line and column of the list.\n", oneLine(d.list.name), len(d.points), len(d.Doubts))
	b.WriteString("# Settle them with the list's maker or with 'roundsman survey', compare with 'roundsman read --as-found', then delete them.\n")
	for _, x := range d.by[nil] {
		if x.Point == "" {
			comment(&b, "", x)
		}
	}
	fmt.Fprintf(&b, "site: {name: %s", quoted(cmp.Or(oneLine(d.opts.Site), "Unnamed Wash")))
	if d.opts.Zone != "" {
		fmt.Fprintf(&b, ", time-zone: %s", quoted(d.opts.Zone))
	}
	fmt.Fprintf(&b, "}\nlinks:\n  %s: {modbus: '%s'", d.opts.Link, strings.ReplaceAll(cmp.Or(d.opts.Modbus, placeholder), "'", "''"))
	if strings.HasPrefix(d.opts.Modbus, "rtu://") {
		b.WriteString(", baud: 19200, parity: even, stop-bits: 1")
	}
	b.WriteString("}\npoints:\n")
	for _, p := range d.points {
		if p.words != "" {
			fmt.Fprintf(&b, "  # %s\n", p.words)
		}
		for _, x := range d.by[p] {
			comment(&b, "  ", x)
		}
		if p.off {
			b.WriteString("  #")
		}
		fmt.Fprintf(&b, "  %s: {%s}\n", p.name, strings.Join(p.keys, ", "))
	}
	for _, x := range d.by[nil] {
		if x.Point != "" { // of rows that became no point
			x.Text = x.Point + ": " + x.Text
			comment(&b, "  ", x)
		}
	}
	return b.Bytes()
}

func comment(b *bytes.Buffer, indent string, x Doubt) {
	fmt.Fprintf(b, "%s# ? %d:%d: %s\n", indent, x.Line, x.Column, oneLine(x.Text))
}
