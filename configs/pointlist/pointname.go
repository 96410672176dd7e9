package pointlist

import (
	"fmt"
	"strings"
	"unicode"
)

// pointName makes a point's name of what a list calls it: 'Air header pressure [bar]' is air.header.pressure, 'PT-101' is
// pt-101. Characters that no name can have are left out; "" means that nothing is left.
func pointName(text string) string {
	text, _, _ = strings.Cut(text, "[")
	var b strings.Builder
	for _, c := range strings.ToLower(text) {
		switch c = fold(c); {
		case c >= 'a' && c <= 'z' || c >= '0' && c <= '9':
			b.WriteRune(c)
		case c == 'ß':
			b.WriteString("ss")
		case c == '-':
			b.WriteRune('-')
		case c == '.' || c == '_' || c == '/' || c == '\\' || c == ':' || unicode.IsSpace(c):
			b.WriteRune('.')
		case c == '%':
			b.WriteString("percent")
		}
	}
	var parts []string
	for p := range strings.FieldsFuncSeq(b.String(), func(c rune) bool { return c == '.' }) {
		if p = strings.Trim(p, "-"); p != "" {
			parts = append(parts, p)
		}
	}
	name := strings.Join(parts, ".")
	if len(name) > longest {
		name = strings.TrimRight(name[:longest], ".-")
	}
	if strings.HasPrefix(name, "link.") || strings.HasPrefix(name, "box.") {
		name = "list." + name // those names are Roundsman's own
	}
	return name
}

// longest is how long a name may get; a number against repetition still fits behind it.
const longest = 90

// names gives each point a name of its own.
type names struct{ first map[string]int } // line in which a name was used first

// take returns a free name like the wanted one. The doubt says that it was taken already.
func (n *names) take(want string, line int) (name, doubt string) {
	if _, used := n.first[want]; !used {
		n.first[want] = line
		return want, ""
	}
	for i := 2; ; i++ {
		name = fmt.Sprintf("%s-%d", want, i)
		if _, used := n.first[name]; !used {
			n.first[name] = line
			return name, fmt.Sprintf("the name %s stands in line %d already: this one is called %s", want, n.first[want], name)
		}
	}
}
