package pointlist

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"roundsman/collector/modbus"
)

// valueType is a type as a list tells it.
type valueType struct {
	typ     modbus.Type
	order   modbus.Order
	ordered bool // the order was said
	bit     int  // -1: none
	length  int  // registers of a text; 0: not said
	doubt   string
}

// typeWords are types in the words of data sheets and of IEC 61131-3, in letters and digits.
var typeWords = map[modbus.Type]string{
	modbus.Int16:   "int16 int sint16 s16 i16 short signed signed16 signed16bit 16bitsigned integer integer16 int16bit 16bitint signedint signedint16 signedword signedinteger sword",
	modbus.Uint16:  "uint16 uint u16 word ushort unsigned unsigned16 unsigned16bit 16bitunsigned unsignedint unsignedint16 unsignedinteger uint16bit 16bit 16bituint unsignedword unsignedshort register enum bitfield16 bitmap bitfield flags status",
	modbus.Int32:   "int32 dint sint32 s32 i32 long signed32 signed32bit 32bitsigned signedint32 signedlong doubleint int32bit longint 32bitint",
	modbus.Uint32:  "uint32 udint u32 dword ulong unsigned32 unsigned32bit 32bitunsigned unsignedint32 unsignedlong uint32bit doubleword 32bituint 32bit",
	modbus.Int64:   "int64 lint s64 i64 signed64 longlong",
	modbus.Uint64:  "uint64 ulint u64 lword unsigned64 qword",
	modbus.Float32: "float32 float real single f32 ieee754 32bitfloat float32bit floatingpoint ieeefloat floatieee754 floatieee singlefloat real32 ieee754float flt 32bitreal fp32",
	modbus.Float64: "float64 double lreal f64 64bitfloat real64 doublefloat fp64",
	modbus.Bool:    "bool boolean bit binary digital flag onoff switch contact x",
	modbus.BCD16:   "bcd bcd16 bcd4",
	modbus.BCD32:   "bcd32 bcd8 dbcd",
	modbus.Text:    "string text ascii char chars characters str visiblestring",
}

var typesByWord = func() map[string]modbus.Type {
	out := map[string]modbus.Type{}
	for t, words := range typeWords {
		for w := range strings.FieldsSeq(words) {
			out[w] = t
		}
	}
	return out
}()

// orderWords are orders as lists tell them, in letters and digits. 'little endian' says too little.
var orderWords = map[string]modbus.Order{
	"abcd": modbus.ABCD, "1234": modbus.ABCD, "bigendian": modbus.ABCD, "be": modbus.ABCD, "big": modbus.ABCD, "mswfirst": modbus.ABCD, "highwordfirst": modbus.ABCD, "hilo": modbus.ABCD, "msb": modbus.ABCD, "msbfirst": modbus.ABCD, "noswap": modbus.ABCD, "no": modbus.ABCD, "normal": modbus.ABCD, "motorola": modbus.ABCD, "msw": modbus.ABCD,
	"cdab": modbus.CDAB, "3412": modbus.CDAB, "swapped": modbus.CDAB, "wordswap": modbus.CDAB, "wordswapped": modbus.CDAB, "swap": modbus.CDAB, "swappedwords": modbus.CDAB, "lswfirst": modbus.CDAB, "lowwordfirst": modbus.CDAB, "lohi": modbus.CDAB, "inverse": modbus.CDAB, "inverted": modbus.CDAB, "lsw": modbus.CDAB, "yes": modbus.CDAB, "bigendianwordswap": modbus.CDAB, "midlittleendian": modbus.CDAB, "littleendianbyteswap": modbus.CDAB,
	"badc": modbus.BADC, "2143": modbus.BADC, "byteswap": modbus.BADC, "byteswapped": modbus.BADC, "midbigendian": modbus.BADC, "bigendianbyteswap": modbus.BADC,
	"dcba": modbus.DCBA, "4321": modbus.DCBA, "intel": modbus.DCBA,
	"littleendian": modbus.CDAB, "le": modbus.CDAB, "little": modbus.CDAB,
}

// parseOrder reads an order; the doubt says what was taken for granted.
func parseOrder(text string) (o modbus.Order, doubt string, ok bool) {
	word := letters(text)
	if o, ok = orderWords[word]; !ok {
		return o, "", false
	}
	if word == "littleendian" || word == "le" || word == "little" {
		doubt = fmt.Sprintf("%q may mean swapped words (CDAB) or all bytes turned round (DCBA): CDAB is taken; survey with --expect tells", text)
	}
	return o, doubt, true
}

var (
	bitType    = regexp.MustCompile(`^(?:bit|bool|boolean)\s*[.:#(]?\s*(\d{1,2})\)?$`)
	textLength = regexp.MustCompile(`^([a-z]+)\s*[\[(]?\s*(\d{1,3})\s*[\])]?$`)
)

// parseType reads a type: 'INT16', 'REAL', 'DWORD', 'float (CDAB)', 'bit 3', 'STRING[16]'.
func parseType(text string) (v valueType, ok bool) {
	v.bit = -1
	s := strings.ToLower(strings.TrimSpace(text))
	if m := bitType.FindStringSubmatch(s); m != nil {
		v.typ = modbus.Bit
		v.bit, _ = strconv.Atoi(m[1])
		return v, v.bit < 16
	}
	if t, known := typesByWord[letters(s)]; known {
		v.typ = t
		v.doubt = typeDoubt(letters(s), text)
		return v, true
	}
	if m := textLength.FindStringSubmatch(s); m != nil && typesByWord[m[1]] == modbus.Text {
		n, _ := strconv.Atoi(m[2])
		v.typ, v.length = modbus.Text, (n+1)/2
		return v, n > 0
	}
	if narrow(letters(s)) {
		v.typ = modbus.Uint16
		v.doubt = fmt.Sprintf("%s has 8 bits, a register 16: the whole register is taken; which half holds the value?", text)
		return v, true
	}
	return v.withOrder(text, s)
}

// narrow reports whether a type has eight bits.
func narrow(word string) bool {
	return slices.Contains([]string{"byte", "usint", "sint", "int8", "uint8", "u8", "s8", "8bit"}, word)
}

// withOrder reads a type with its order behind: 'real swapped', 'float32 little endian', 'FLOAT_CDAB'.
func (v valueType) withOrder(text, s string) (valueType, bool) {
	words := strings.FieldsFunc(s, func(c rune) bool { return strings.ContainsRune(" _-,()/[]:;", c) })
	for n := len(words) - 1; n > 0; n-- {
		t, known := typesByWord[letters(strings.Join(words[:n], ""))]
		o, doubt, said := parseOrder(strings.Join(words[n:], " "))
		if known && said {
			v.typ, v.order, v.ordered, v.doubt = t, o, true, doubt
			return v, true
		}
	}
	return v, false
}

// typeDoubt says what a word leaves open.
func typeDoubt(word, text string) string {
	switch word {
	case "bitmap", "bitfield", "flags", "status", "enum":
		return fmt.Sprintf("%s is read as one number; a bit of it is a point of its own (type: bit, bit: N)", text)
	case "16bit", "32bit", "register":
		return fmt.Sprintf("%s does not say whether the value can be negative: unsigned is taken", text)
	}
	return ""
}
