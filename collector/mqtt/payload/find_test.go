package payload_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"roundsman/collector/mqtt/payload"
)

// rfc6901 is the example document of RFC 6901, section 5 (from memory).
const rfc6901 = `{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}`

// RFC 6901, section 5: the evaluation of each pointer (from memory). What a JSON
// library independent of this package makes of the same names stands in TestFindAgreesWithEncodingJSON.
func TestPointersOfTheRFC(t *testing.T) {
	tests := []struct{ pointer, want string }{
		{"", rfc6901},
		{"/foo", `["bar","baz"]`},
		{"/foo/0", `"bar"`},
		{"/", "0"},
		{"/a~1b", "1"},
		{"/c%d", "2"},
		{"/e^f", "3"},
		{"/g|h", "4"},
		{`/i\j`, "5"},
		{`/k"l`, "6"},
		{"/ ", "7"},
		{"/m~0n", "8"},
	}
	for _, tt := range tests {
		v, err := find(t, tt.pointer, rfc6901)
		if err != nil || string(v.Raw()) != tt.want {
			t.Errorf("%q gives %s, %v, want %s", tt.pointer, v.Raw(), err, tt.want)
		}
	}
}

func find(t testing.TB, pointer, doc string) (payload.Value, error) {
	t.Helper()
	p, err := payload.ParsePointer(pointer)
	if err != nil {
		return payload.Value{}, err
	}
	f, err := payload.NewFinder(p)
	if err != nil {
		t.Fatal(err)
	}
	found := make([]payload.Value, 1)
	err = f.Find([]byte(doc), found)
	return found[0], err
}

// RFC 6901, sections 3 and 4: no slash, bad escape; leading zero, past the end, '-', not there.
func TestPointersThatLeadNowhere(t *testing.T) {
	for _, bad := range []string{"foo", "/m~n", "/m~", "/~2", "#/foo"} {
		if _, err := payload.ParsePointer(bad); err == nil {
			t.Errorf("ParsePointer(%q) is taken, want an error", bad)
		}
	}
	for _, none := range []string{"/foo/01", "/foo/2", "/foo/-", "/foo/0/0", "/nothing", "/foo/", "/foo/00", "/foo/99999999999999999999", `/i\\j`} {
		v, err := find(t, none, rfc6901)
		if err != nil || v.Found() {
			t.Errorf("%q gives %s, %v, want nothing", none, v.Raw(), err)
		}
	}
	// '~01' is the name '~1', not '/': section 4.
	if v, err := find(t, "/~01", `{"/":1,"~1":2}`); err != nil || string(v.Raw()) != "2" {
		t.Errorf("/~01 gives %s, %v, want 2", v.Raw(), err)
	}
}

// Payload shapes seen from gateways.
func TestShapesOfPayloads(t *testing.T) {
	tests := []struct {
		name, doc, pointer, want string
	}{
		{"nested object and array", `{"d":{"ch":[{"v":1.92,"q":"good"}]}}`, "/d/ch/0/v", "1.92"},
		{"array", `[1764057600,1.92]`, "/1", "1.92"},
		{"second of several", `{"a":[1,2,3],"b":[4,5]}`, "/b/1", "5"},
		{"blanks everywhere", " \r\n{ \"a\" : [ 1 , { } , [ ] ] }\t", "/a/0", "1"},
		{"escaped name", "{\"l\\u0065vel\":2}", "/level", "2"},
		{"surrogate pair in a name", `{"\ud83d\ude97":3}`, "/\U0001F697", "3"},
		{"name of digits in an object", `{"0":{"01":7}}`, "/0/01", "7"},
		{"the same name deeper down is another", `{"x":{"level":1},"level":2}`, "/level", "2"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			v, err := find(t, tt.pointer, tt.doc)
			if err != nil || string(v.Raw()) != tt.want {
				t.Errorf("%s in %s gives %s, %v, want %s", tt.pointer, tt.doc, v.Raw(), err, tt.want)
			}
		})
	}
}

func TestFindRefuses(t *testing.T) {
	deep := strings.Repeat("[", 101) + strings.Repeat("]", 101)
	tests := []struct{ name, doc, want string }{
		{"empty", "", "not JSON: it ends too early at byte 0"},
		{"half", `{"level":1.9`, "not JSON: it ends too early at byte 12"},
		{"half a string", `{"level":"1.9`, "not JSON: string without end at byte 9"},
		{"trailing comma", `{"level":1,}`, "not JSON: no name at byte 11"},
		{"two documents", `{"level":1}{"level":2}`, "not JSON: something follows the document at byte 11"},
		{"leading zero", `{"level":01.9}`, "not JSON: a number begins with 0 at byte 9"},
		{"no digit after the point", `{"level":1.}`, "not JSON: no digit after the point at byte 11"},
		{"plus sign", `{"level":+1}`, "not JSON: no value at byte 9"},
		{"NaN", `{"level":NaN}`, "not JSON: no value at byte 9"},
		{"single quotes", `{'level':1}`, "not JSON: no name at byte 1"},
		{"line feed in a string", "{\"a\":\"x\ny\"}", "not JSON: control character in a string at byte 7"},
		{"bad escape", `{"a":"\x41"}`, "not JSON: bad escape at byte 6"},
		{"short escape", `{"a":"\u12"}`, "not JSON: bad escape at byte 6"},
		{"not UTF-8", "{\"a\":\"\xff\"}", "not JSON: not UTF-8 at byte 6"},
		{"the name twice", `{"level":1,"level":2}`, "not JSON: a name that is asked for stands twice at byte 19"},
		{"too deep", deep, "not JSON: nested too deep at byte 100"},
		{"no colon", `{"level" 1}`, "not JSON: no colon at byte 9"},
		{"no comma", `[1 2]`, "not JSON: no comma at byte 3"},
		{"byte order mark", "\ufeff{}", "not JSON: no value at byte 0"},
		{"cut word", `tru`, "not JSON: no value at byte 0"},
		{"cut exponent", `1e`, "not JSON: no digit in the exponent at byte 2"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := find(t, "/level", tt.doc)
			if err == nil || err.Error() != tt.want {
				t.Errorf("Find(%q) = %v, want %s", tt.doc, err, tt.want)
			}
			if _, ok := errors.AsType[*payload.SyntaxError](err); !ok {
				t.Errorf("Find(%q) gives a %T, want a *SyntaxError", tt.doc, err)
			}
		})
	}
}

func TestSeveralPointersInOneWalk(t *testing.T) {
	names := []string{"/level", "/battery", "/level", "/none", "", "/ts/0"}
	var pointers []payload.Pointer
	for _, n := range names {
		p, err := payload.ParsePointer(n)
		if err != nil {
			t.Fatal(err)
		}
		pointers = append(pointers, p)
	}
	f, err := payload.NewFinder(pointers...)
	if err != nil {
		t.Fatal(err)
	}
	found := make([]payload.Value, len(pointers))
	doc := `{"battery":3.6,"ts":[9],"level":1.92}`
	if err := f.Find([]byte(doc), found); err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"1.92", "3.6", "1.92", "", doc, "9"} {
		if got := string(found[i].Raw()); got != want {
			t.Errorf("%q gives %q, want %q", names[i], got, want)
		}
	}
	if err := f.Find([]byte(`{"battery":`), found); err == nil || found[4].Found() {
		t.Errorf("after a broken document: %v, %s, want an error and nothing left from before", err, found[4].Raw())
	}
	if _, err := payload.NewFinder(make([]payload.Pointer, 65)...); err == nil {
		t.Error("65 pointers are taken, want an error")
	}
	full := make([]payload.Pointer, payload.MaxPointers)
	if f, err = payload.NewFinder(full...); err != nil {
		t.Fatal(err)
	}
	found = make([]payload.Value, len(full))
	if err := f.Find([]byte("7"), found); err != nil || string(found[63].Raw()) != "7" {
		t.Errorf("the 64th pointer gives %s, %v, want 7", found[63].Raw(), err)
	}
}

func TestFindDoesNotAllocate(t *testing.T) {
	level, _ := payload.ParsePointer("/level")
	f, err := payload.NewFinder(level)
	if err != nil {
		t.Fatal(err)
	}
	doc, found := []byte(`{"ts":1764057600,"level":1.92,"battery":3.61}`), make([]payload.Value, 1)
	allocs := testing.AllocsPerRun(100, func() {
		if err := f.Find(doc, found); err != nil {
			t.Fatal(err)
		}
		if n, _, err := payload.Number(found[0]); n != 1.92 || err != nil {
			t.Fatal(n, err)
		}
	})
	if allocs != 0 {
		t.Errorf("%v allocations a message, want 0", allocs)
	}
}

// FuzzFind holds the walk against encoding/json: what that calls valid must be
// found with the same value, what it refuses must be refused.
func FuzzFind(f *testing.F) {
	for _, doc := range []string{
		rfc6901, `{"level":1.92,"battery":3.6,"ts":"2026-01-01T00:00:00Z"}`, `[1764057600,1.92]`, `"1.92 m"`, `1,92`, "null",
		`{"d":{"ch":[{"v":1.92,"q":"good"}]}}`, `{"a":{"b":{"c":[0,[1,{"d":"\u00e9\ud83d\ude97\n"}]]}}}`, `{"level":1,"level":2}`,
		`{"level":1e999}`, `{"level":-0.0}`, "{\"a\":\"\xff\"}", `{"\ud800":1}`, "{}", "[]", `{"level":{}}`, " 1 ", "01", "1.", "-", `"\`,
	} {
		for _, pointer := range []string{"", "/level", "/foo/0", "/d/ch/0/v", "/a/b/c/1/1/d", "/1", "/\ufffd"} {
			f.Add(pointer, []byte(doc))
		}
	}
	f.Fuzz(func(t *testing.T, pointer string, doc []byte) {
		p, err := payload.ParsePointer(pointer)
		if err != nil {
			return
		}
		finder, _ := payload.NewFinder(p)
		found := make([]payload.Value, 1)
		err = finder.Find(doc, found)
		compareWithLibrary(t, pointer, doc, found[0], err)
	})
}

func TestFindAgreesWithEncodingJSON(t *testing.T) {
	for _, pointer := range []string{"/foo", "/foo/1", "/", "/a~1b", `/i\j`, `/k"l`, "/ ", "/m~0n", "/foo/01", "/x"} {
		v, err := find(t, pointer, rfc6901)
		compareWithLibrary(t, pointer, []byte(rfc6901), v, err)
	}
}

func compareWithLibrary(t *testing.T, pointer string, doc []byte, got payload.Value, err error) {
	t.Helper()
	if !json.Valid(doc) {
		if err == nil {
			t.Fatalf("%q is taken, encoding/json refuses it", doc)
		}
		return
	}
	if err != nil {
		for _, ours := range []string{"stands twice", "nested too deep", "not UTF-8"} {
			if strings.Contains(err.Error(), ours) {
				return // stricter than the library, and said so
			}
		}
		t.Fatalf("%q: %v, encoding/json takes it", doc, err)
	}
	decoder := json.NewDecoder(bytes.NewReader(doc))
	decoder.UseNumber()
	var whole any
	if err := decoder.Decode(&whole); err != nil {
		t.Fatal(err)
	}
	want, ok := walk(whole, pointer)
	if ok != got.Found() {
		t.Fatalf("%q in %q: found %v, want %v", pointer, doc, got.Found(), ok)
	}
	if ok {
		compareValue(t, got, want)
	}
}

func compareValue(t *testing.T, got payload.Value, want any) {
	t.Helper()
	switch w := want.(type) {
	case string:
		if string(got.Text()) != w {
			t.Fatalf("text %q, want %q", got.Text(), w)
		}
	case json.Number:
		if string(got.Raw()) != w.String() {
			t.Fatalf("number %s, want %s", got.Raw(), w)
		}
		compareNumber(t, got, w)
	default:
		decoder := json.NewDecoder(bytes.NewReader(got.Raw()))
		decoder.UseNumber()
		var again any
		if err := decoder.Decode(&again); err != nil || !reflect.DeepEqual(again, want) {
			t.Fatalf("%s reads %v, %v, want %v", got.Raw(), again, err, want)
		}
	}
}

func compareNumber(t *testing.T, got payload.Value, want json.Number) {
	t.Helper()
	n, unit, err := payload.Number(got)
	f, wantErr := want.Float64()
	switch {
	case wantErr != nil && !errors.Is(err, payload.ErrNotFinite):
		t.Fatalf("number %s: %v, want %v", want, err, payload.ErrNotFinite)
	case wantErr == nil && (err != nil || len(unit) > 0 || math.Float64bits(n) != math.Float64bits(f)):
		t.Fatalf("number %s reads %v %q %v, want %v", want, n, unit, err, f)
	}
}

// walk is RFC 6901, section 4, over the library's trees.
func walk(at any, pointer string) (any, bool) {
	if pointer == "" {
		return at, true
	}
	for _, token := range strings.Split(pointer[1:], "/") {
		token = strings.NewReplacer("~1", "/", "~0", "~").Replace(token)
		switch v := at.(type) {
		case map[string]any:
			inner, ok := v[token]
			if !ok {
				return nil, false
			}
			at = inner
		case []any:
			i, err := strconv.Atoi(token)
			if err != nil || strconv.Itoa(i) != token || i < 0 || i >= len(v) {
				return nil, false
			}
			at = v[i]
		default:
			return nil, false
		}
	}
	return at, true
}

func TestQuoteIsSafe(t *testing.T) {
	tests := []struct {
		name, in, want string
	}{
		{"plain", "1.92 m", `"1.92 m"`},
		{"terminal escape and bell", "\x1b[2J\a", `"\x1b[2J\a"`},
		{"turned writing", "a\u202eb", `"a\u202eb"`},
		{"not UTF-8", "\xff\xfe", `"\xff\xfe"`},
		{"zero bytes", "a\x00b", `"a\x00b"`},
		{"longer than 64", strings.Repeat("x", 65), `"` + strings.Repeat("x", 64) + `"... (65 bytes)`},
		{"a letter at the cut", strings.Repeat("x", 63) + "\u00e9z", `"` + strings.Repeat("x", 63) + `"... (66 bytes)`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := payload.Quote([]byte(tt.in)); got != tt.want {
				t.Errorf("Quote(%q) = %s, want %s", tt.in, got, tt.want)
			}
		})
	}
	if got, want := payload.QuotePart([]byte("abc"), 10<<20), `"abc"... (10485760 bytes)`; got != want {
		t.Errorf("QuotePart = %s, want %s", got, want)
	}
	for n := range 300 {
		if got := payload.Quote(bytes.Repeat([]byte{byte(n), 0xc3, 0xa9}, n)); !utf8.ValidString(got) || strings.ContainsFunc(got, func(r rune) bool { return r < ' ' }) {
			t.Fatalf("%q is not safe to show", got)
		}
	}
}
