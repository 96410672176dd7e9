package strict

import (
	"strings"

	"go.yaml.in/yaml/v4"
	"go.yaml.in/yaml/v4/plugin/loaderlimits"
)

func limits() any { return loaderlimits.New(loaderlimits.DepthValue(mostNesting)) }

// wrong complains about the value and makes it read as absent.
func (v *Value) wrong(format string, args ...any) {
	v.Failf(format, args...)
	v.file.bad[v.node] = true
}

// check compares the value with its shape and everything below with theirs.
// It goes no deeper than the shape, whatever the file does.
func (v *Value) check() {
	switch n := v.node; {
	case n.Kind == yaml.AliasNode:
		v.wrong("*%s repeats another value; write it out", shorten(n.Value))
		return
	case n.Anchor != "":
		v.wrong("&%s marks a value for repetition, which these files do not use; remove it", shorten(n.Anchor))
		return
	case n.Style&yaml.TaggedStyle != 0:
		v.wrong("the tag %s has no meaning here; remove it", shorten(n.Tag))
		return
	case n.Kind == yaml.ScalarNode && n.Tag == "!!null":
		v.wrong("has no value; expected %s", v.shape.noun())
		return
	}
	v.settle()
	if !fits(v.node, v.shape) {
		v.wrong("found %s, expected %s", found(v.node), v.shape.noun())
		return
	}
	switch v.shape.Form {
	case Table:
		v.checkTable()
	case Named:
		v.checkNamed()
	case List:
		v.checkList()
	default:
		v.checkSingle()
	}
}

// fits reports whether the value is written as its shape asks: single, list or mapping.
func fits(n *yaml.Node, s *Shape) bool {
	switch s.Form {
	case Table, Named:
		return n.Kind == yaml.MappingNode
	case List:
		return n.Kind == yaml.SequenceNode
	case Either:
		return false // settled to one of its forms before
	}
	return n.Kind == yaml.ScalarNode
}

func found(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "keys with values"
	case yaml.SequenceNode:
		return "a list"
	}
	return quote(n.Value)
}

func quote(s string) string { return `"` + shorten(s) + `"` }

// shorten keeps what is quoted from a file short.
func shorten(s string) string { return clip(s, 60) }

// clip keeps a text to one line of at most so many characters.
func clip(s string, most int) string {
	plain := func(r rune) rune {
		if r < ' ' || r >= 0x7f && r < 0xa0 || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}
	if len(s) > 4*most { // more than most characters, whatever they are
		s = s[:4*most]
	}
	r := []rune(strings.Map(plain, s))
	if len(r) > most {
		return string(r[:most-3]) + "..."
	}
	return string(r)
}

// goodKey complains about a key that is no plain name or stands twice.
func (v *Value) goodKey(key *yaml.Node, seen map[string]*yaml.Node) bool {
	say := func(format string, args ...any) bool {
		v.say(key, Error, format, args...)
		v.file.bad[key] = true
		return false
	}
	switch {
	case key.Kind == yaml.AliasNode || key.Anchor != "" || key.Style&yaml.TaggedStyle != 0:
		return say("a key is a plain name, without * & or !")
	case key.Tag == "!!merge":
		return say("<< copies keys from elsewhere, which these files do not use; write them out")
	case key.Kind != yaml.ScalarNode || key.Value == "" || key.Tag == "!!null":
		return say("found %s where a key is expected", found(key))
	}
	if first := seen[key.Value]; first != nil {
		return say("%s stands twice, first in line %d", quote(key.Value), first.Line)
	}
	seen[key.Value] = key
	return true
}

func (v *Value) checkTable() {
	c := v.node.Content
	seen := make(map[string]*yaml.Node, len(c)/2)
	for i := 0; i+1 < len(c); i += 2 {
		if !v.goodKey(c[i], seen) {
			continue
		}
		k := v.shape.key(c[i].Value)
		if k == nil {
			v.say(c[i], Error, "unknown key %s%s", quote(c[i].Value), v.file.log.Guess(c[i].Value, v.shape.names()...))
			v.file.bad[c[i]] = true
			continue
		}
		(&Value{file: v.file, node: c[i+1], shape: k.Shape, parent: v, key: c[i]}).check()
	}
	for _, k := range v.shape.Keys {
		if k.Needed && seen[k.Name] == nil {
			v.Missing("%s is missing", k.Name)
		}
	}
}

func (v *Value) checkNamed() {
	c := v.node.Content
	seen := make(map[string]*yaml.Node, len(c)/2)
	for i := 0; i+1 < len(c); i += 2 {
		if v.goodKey(c[i], seen) {
			(&Value{file: v.file, node: c[i+1], shape: v.shape.Of, parent: v, key: c[i]}).check()
		}
	}
	if len(seen) < v.shape.Fewest {
		v.wrong("is empty")
	}
}

func (v *Value) checkList() {
	c := v.node.Content
	for i, n := range c {
		(&Value{file: v.file, node: n, shape: v.shape.Of, parent: v, index: i + 1}).check()
	}
	switch s := v.shape; {
	case s.Most > 0 && s.Fewest == s.Most && len(c) != s.Most:
		v.wrong("has %d entries, expected %d", len(c), s.Most)
	case len(c) < s.Fewest && len(c) == 0:
		v.wrong("the list is empty")
	case len(c) < s.Fewest:
		v.wrong("has %d entries, expected at least %d", len(c), s.Fewest)
	case s.Most > 0 && len(c) > s.Most:
		v.wrong("has %d entries, expected at most %d", len(c), s.Most)
	}
	for _, n := range c {
		if v.file.bad[n] && v.shape.Fewest > 1 {
			v.file.bad[v.node] = true // a pair with half its values is no pair
		}
	}
}

func (v *Value) checkSingle() {
	s, text := v.shape, v.node.Value
	switch s.Form {
	case Integer:
		n, err := parseInt(text)
		switch {
		case err != nil:
			v.wrong("found %s, expected a whole number", quote(text))
		case s.Bounded && (n < s.Low || n > s.High):
			v.wrong("%d is outside %d to %d", n, s.Low, s.High)
		}
	case Number:
		if _, err := parseFloat(text); err != nil {
			v.wrong("found %s, expected a number", quote(text))
		}
	case Switch:
		if text != "true" && text != "false" {
			v.wrong("found %s, expected true or false", quote(text))
		}
	case Choice:
		v.checkChoice()
	default:
		if strings.TrimSpace(text) == "" {
			v.wrong("is empty; expected %s", s.noun())
		}
	}
}

func (v *Value) checkChoice() {
	s, text := v.shape, v.node.Value
	for _, w := range s.Words {
		if w == text {
			return
		}
	}
	what := s.What
	if what == "" {
		what = "word"
	}
	hint := v.file.log.Guess(text, s.Words...)
	if hint == "" {
		hint = "; expected " + orList(s.Words)
	}
	v.wrong("unknown %s %s%s", what, quote(text), hint)
}

func orList(words []string) string {
	if len(words) == 1 {
		return words[0]
	}
	return strings.Join(words[:len(words)-1], ", ") + " or " + words[len(words)-1]
}
