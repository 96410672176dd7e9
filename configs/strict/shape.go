package strict

// Form is what a value of a file looks like.
type Form uint8

// The forms.
const (
	Text     Form = iota // words; numbers written without quotes are taken as words too
	Integer              // a whole number, decimal or 0x hexadecimal
	Number               // a plain number
	Switch               // true or false
	Measure              // a number, or a number with a unit
	Duration             // a number with a unit of time
	Choice               // one of Words
	List                 // a list of Of
	Table                // a mapping whose keys are fixed by Keys
	Named                // a mapping of names to Of
	Either               // one of Forms, told apart by how it is written
)

// Shape is what one value may look like.
type Shape struct {
	Form  Form
	Words []string // of a Choice, and for the editor the special words of a Measure or Duration
	What  string   // of a Choice: what the words are ('type', 'order')
	Of    *Shape   // of a List or Named
	Keys  []Key    // of a Table
	Forms []*Shape // of an Either
	// Fewest and Most bound the entries of a List or Named, Low and High the value of an Integer when Bounded: an int of
	// a small board holds no 4294967296.
	Fewest, Most int
	Low, High    int64
	Bounded      bool
}

// Key is one key of a Table.
type Key struct {
	Name   string
	Shape  *Shape
	Needed bool
	Doc    string // one sentence, for the editor's help
}

// One returns a shape of a form that needs no more.
func One(f Form) *Shape { return &Shape{Form: f} }

// Whole returns a whole number from fewest to most.
func Whole(fewest, most int64) *Shape {
	return &Shape{Form: Integer, Low: fewest, High: most, Bounded: true}
}

// OneOf returns a choice of words; what names them in messages.
func OneOf(what string, words ...string) *Shape {
	return &Shape{Form: Choice, What: what, Words: words}
}

// ListOf returns a list with at least so many entries.
func ListOf(of *Shape, fewest int) *Shape { return &Shape{Form: List, Of: of, Fewest: fewest} }

// Pair returns a list of two.
func Pair(of *Shape) *Shape { return &Shape{Form: List, Of: of, Fewest: 2, Most: 2} }

// NamedOf returns a mapping of free names.
func NamedOf(of *Shape) *Shape { return &Shape{Form: Named, Of: of} }

// TableOf returns a mapping of fixed keys.
func TableOf(keys ...Key) *Shape { return &Shape{Form: Table, Keys: keys} }

// AnyOf returns a value that may be written in several ways: as a single
// value, a list or a mapping, at most one of each.
func AnyOf(forms ...*Shape) *Shape { return &Shape{Form: Either, Forms: forms} }

// key returns the description of a key of a Table.
func (s *Shape) key(name string) *Key {
	for i := range s.Keys {
		if s.Keys[i].Name == name {
			return &s.Keys[i]
		}
	}
	return nil
}

// names returns the keys of a Table.
func (s *Shape) names() []string {
	out := make([]string, len(s.Keys))
	for i, k := range s.Keys {
		out[i] = k.Name
	}
	return out
}

// noun returns what the shape is called in a message.
func (s *Shape) noun() string {
	switch s.Form {
	case Integer:
		return "a whole number"
	case Number:
		return "a number"
	case Switch:
		return "true or false"
	case Measure:
		return "a number with its unit"
	case Duration:
		return "a time such as 30s"
	case List:
		return "a list"
	case Table, Named:
		return "keys with values"
	case Either:
		out := ""
		for i, f := range s.Forms {
			if i > 0 {
				out += " or "
			}
			out += f.noun()
		}
		return out
	case Choice:
		if s.What != "" {
			return "a " + s.What
		}
	}
	return "a text"
}
