package compute

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"roundsman/collector"
)

// The longest point name that is looked for, and that is shown in an error.
const (
	maxName  = 200
	maxShown = 60
)

// scanned is a formula as words, with the points it takes.
type scanned struct {
	runes  []rune
	tokens []token
	points []collector.Point
	end    int // where what is missing is missed: the last word or space
}

// token is one word of a formula. Its text is as written, a point's the name
// that the point was found by.
type token struct {
	what tokenKind
	text string
	at   int // rune
	n    int // of a point: its index
}

type tokenKind uint8

const (
	ended       tokenKind = iota
	symbolToken           // an operator or bracket, words such as and included
	numberToken
	pointToken
	functionToken
)

// scan reads the source word by word. It refuses every character that has no
// place in a formula and every word that is neither a point nor one of the few of the language.
func scan(text string, resolve Resolve) (*scanned, error) {
	if len(text) > maxSource {
		return nil, &Error{1, 1, fmt.Sprintf("longer than %d bytes", maxSource)}
	}
	s := &scanner{scanned: &scanned{runes: []rune(text)}, resolve: resolve, index: make(map[string]int)}
	for s.pos < len(s.runes) {
		if err := s.token(); err != nil {
			return nil, err
		}
	}
	if len(s.tokens) == 0 {
		return nil, &Error{1, 1, "empty"}
	}
	return s.scanned, nil
}

type scanner struct {
	*scanned
	resolve Resolve
	index   map[string]int // of names found so far
	pos     int
	depth   int
}

func (s *scanner) token() error {
	r := s.runes[s.pos]
	switch {
	case unicode.IsSpace(r):
		s.end = s.pos
		s.pos++
		return nil
	case r >= '0' && r <= '9' || r == '.':
		return s.number()
	case letter(r):
		return s.word()
	}
	return s.symbol(r)
}

// put adds a word and steps over it.
func (s *scanner) put(what tokenKind, text string, point int) {
	s.tokens = append(s.tokens, token{what, text, s.pos, point})
	s.end = s.pos
	s.pos += len([]rune(text))
}

func (s *scanner) symbol(r rune) error {
	for _, pair := range []string{"==", "!=", "<=", ">=", "&&", "||", "**"} {
		if strings.HasPrefix(string(s.runes[s.pos:min(s.pos+2, len(s.runes))]), pair) {
			s.put(symbolToken, pair, 0)
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
	s.put(symbolToken, string(r), 0)
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
	if end < len(s.runes) && s.runes[end] == '.' {
		end++
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
		if digits() == 0 {
			return s.place(mark, "exponent without digits")
		}
	}
	if end < len(s.runes) && (letter(s.runes[end]) || s.runes[end] == '.') {
		return s.place(end, fmt.Sprintf("'%c' right after a number", s.runes[end]))
	}
	s.put(numberToken, string(s.runes[s.pos:end]), 0)
	return nil
}

// word takes a point's name, the longest that fits: names hold dots and
// hyphens, and a hyphen may be a minus too.
func (s *scanner) word() error {
	end := s.nameEnd()
	run := string(s.runes[s.pos:end])
	for name := run; ; {
		if what := s.reserved(name); what != ended {
			s.put(what, name, 0)
			return nil
		}
		if i, ok := s.lookup(name); ok {
			s.put(pointToken, name, i)
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

// reserved returns what a word of the language is, ended for others.
func (s *scanner) reserved(name string) tokenKind {
	switch _, isFunction := functions[name]; {
	case name == "and", name == "or", name == "not", name == "true", name == "false":
		return symbolToken
	case isFunction && s.calls(s.pos+len(name)):
		return functionToken
	}
	return ended
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

// place returns an error at a rune of the source as written.
func (s *scanned) place(at int, reason string) *Error {
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
