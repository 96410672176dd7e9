package compute

import (
	"fmt"
	"slices"
	"sort"
	"strings"
	"unicode"

	"roundsman/collector"
)

// The longest point name that is looked for, and that is shown in an error.
const (
	maxName  = 200
	maxShown = 60
)

// source is a formula prepared for the library: point names replaced by
// placeholders, numbers written as floats, all else as it stands.
type source struct {
	runes  []rune
	text   string
	points []collector.Point
	shifts []shift
}

// shift says that from a rune of the text on, the original is so many runes away.
type shift struct{ from, original int }

// scan reads the source word by word. It refuses every character that has no
// place in a formula and every word that is neither a point nor one of the few of the language.
func scan(text string, resolve Resolve) (*source, error) {
	if len(text) > maxSource {
		return nil, &Error{1, 1, fmt.Sprintf("longer than %d bytes", maxSource)}
	}
	s := &scanner{source: &source{runes: []rune(text)}, resolve: resolve, index: make(map[string]int)}
	for s.pos < len(s.runes) {
		if err := s.token(); err != nil {
			return nil, err
		}
	}
	if s.written == 0 || strings.TrimSpace(text) == "" {
		return nil, &Error{1, 1, "empty"}
	}
	s.text = s.out.String()
	return s.source, nil
}

type scanner struct {
	*source
	resolve Resolve
	index   map[string]int // of names found so far
	pos     int
	depth   int
	out     strings.Builder
	written int // runes
}

func (s *scanner) token() error {
	r := s.runes[s.pos]
	switch {
	case unicode.IsSpace(r):
		s.put(" ", 1)
		return nil
	case r >= '0' && r <= '9' || r == '.':
		return s.number()
	case letter(r):
		return s.word()
	}
	return s.symbol(r)
}

// put writes text for the next n runes of the original.
func (s *scanner) put(text string, n int) {
	s.shifts = append(s.shifts, shift{s.written, s.pos})
	s.out.WriteString(text)
	s.written += len([]rune(text))
	s.pos += n
}

func (s *scanner) symbol(r rune) error {
	for _, pair := range []string{"==", "!=", "<=", ">=", "&&", "||", "**"} {
		if strings.HasPrefix(string(s.runes[s.pos:min(s.pos+2, len(s.runes))]), pair) {
			s.put(pair, 2)
			return nil
		}
	}
	switch r {
	case '(':
		if s.depth++; s.depth > maxDepth {
			return s.place(s.pos, fmt.Sprintf("brackets nested deeper than %d", maxDepth))
		}
	case ')':
		s.depth--
	case '=':
		return s.place(s.pos, "'=' sets nothing here, equality is '=='")
	case '/':
		if s.peek(1) == '/' || s.peek(1) == '*' {
			return s.place(s.pos, "comments have no place in a formula")
		}
	case '+', '-', '*', '^', ',', '<', '>', '!', '?', ':':
	case '"', '\'', '`':
		return s.place(s.pos, "text has no place in a formula")
	case '[', ']', '{', '}', '#', ';', '|', '&', '%':
		return s.place(s.pos, fmt.Sprintf("'%c' has no place in a formula", r))
	default:
		return s.place(s.pos, fmt.Sprintf("%q has no place in a formula", r))
	}
	if r == '?' && (s.peek(1) == '?' || s.peek(1) == '.') || r == ':' && s.peek(1) == ':' {
		return s.place(s.pos, fmt.Sprintf("'%c%c' has no place in a formula", r, s.peek(1)))
	}
	s.put(string(r), 1)
	return nil
}

func (s *scanner) peek(n int) rune {
	if s.pos+n < len(s.runes) {
		return s.runes[s.pos+n]
	}
	return 0
}

func (s *scanner) number() error {
	end := s.pos
	digits := func() int {
		n := end
		for end < len(s.runes) && s.runes[end] >= '0' && s.runes[end] <= '9' {
			end++
		}
		return end - n
	}
	n := digits()
	float := false
	if end < len(s.runes) && s.runes[end] == '.' {
		end++
		float = true
		n += digits()
	}
	if n == 0 {
		return s.place(s.pos, "'.' has no place here")
	}
	if end < len(s.runes) && (s.runes[end] == 'e' || s.runes[end] == 'E') {
		mark := end
		end++
		if end < len(s.runes) && (s.runes[end] == '+' || s.runes[end] == '-') {
			end++
		}
		if float = true; digits() == 0 {
			return s.place(mark, "exponent without digits")
		}
	}
	if end < len(s.runes) && (letter(s.runes[end]) || s.runes[end] == '.') {
		return s.place(end, fmt.Sprintf("'%c' right after a number", s.runes[end]))
	}
	word := string(s.runes[s.pos:end])
	if !float {
		word += ".0" // the library's integers overflow in silence
	}
	s.put(word, end-s.pos)
	return nil
}

// word takes a point's name, the longest that fits: names hold dots and
// hyphens, and a hyphen may be a minus too.
func (s *scanner) word() error {
	end := s.nameEnd()
	run := string(s.runes[s.pos:end])
	for name := run; ; {
		if s.reserved(name) {
			s.put(name, len([]rune(name)))
			return nil
		}
		if i, ok := s.lookup(name); ok {
			s.put(placeholder(i), len([]rune(name)))
			return nil
		}
		cut := strings.LastIndexByte(name, '-')
		if cut < 0 {
			return s.unknown(name)
		}
		name = name[:cut]
	}
}

func (s *scanner) unknown(name string) error {
	called := s.calls(s.pos + len([]rune(name)))
	if r := []rune(name); len(r) > maxShown {
		name = string(r[:maxShown]) + "..."
	}
	if called {
		return s.place(s.pos, fmt.Sprintf("unknown function %s", name))
	}
	return s.place(s.pos, fmt.Sprintf("unknown point %s", name))
}

// nameEnd returns where the longest name that begins here ends.
func (s *scanner) nameEnd() int {
	end := s.pos
	for end < min(len(s.runes), s.pos+maxName) {
		r := s.runes[end]
		joins := (r == '.' || r == '-') && end+1 < len(s.runes) && (letter(s.runes[end+1]) || unicode.IsDigit(s.runes[end+1]))
		if !letter(r) && !unicode.IsDigit(r) && !joins {
			break
		}
		end++
	}
	return end
}

func (s *scanner) reserved(name string) bool {
	switch name {
	case "and", "or", "not", "true", "false":
		return true
	case "min", "max", "abs", "round", "floor", "ceil", "sqrt":
		return s.calls(s.pos + len(name))
	}
	return false
}

// calls reports whether a bracket opens next after pos.
func (s *scanner) calls(pos int) bool {
	for pos < len(s.runes) && unicode.IsSpace(s.runes[pos]) {
		pos++
	}
	return pos < len(s.runes) && s.runes[pos] == '('
}

func (s *scanner) lookup(name string) (int, bool) {
	if i, ok := s.index[name]; ok {
		return i, true
	}
	p, ok := s.resolve(name)
	if !ok {
		return 0, false
	}
	if p.Name == "" {
		p.Name = name
	}
	i := slices.IndexFunc(s.points, func(q collector.Point) bool { return q.ID == p.ID })
	if i < 0 {
		i = len(s.points)
		s.points = append(s.points, p)
	}
	s.index[name] = i
	return i, true
}

func letter(r rune) bool { return r == '_' || unicode.IsLetter(r) }

// original returns the rune of the source as written that rune n of the text stands for.
func (s *source) original(n int) int {
	i := sort.Search(len(s.shifts), func(i int) bool { return s.shifts[i].from > n })
	if i == 0 {
		return 0
	}
	return s.shifts[i-1].original
}

// place returns an error at a rune of the source as written.
func (s *source) place(at int, reason string) *Error {
	line, column := 1, 1
	for i, r := range s.runes {
		if i >= at {
			break
		}
		column++
		if r == '\n' {
			line, column = line+1, 1
		}
	}
	return &Error{line, column, reason}
}
