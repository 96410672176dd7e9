package pointlist_test

import (
	"bytes"
	"encoding/binary"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf16"

	"roundsman/configs"
	"roundsman/configs/pointlist"
)

// draft reads a list and makes its site file, which must pass what 'roundsman check' tests.
func draft(t *testing.T, list string, o pointlist.Options) (*pointlist.Draft, string) {
	t.Helper()
	l, err := pointlist.Read("list.csv", []byte(list))
	if err != nil {
		t.Fatal(err)
	}
	d := l.Draft(o)
	yaml := string(d.YAML())
	check(t, yaml)
	return d, yaml
}

func check(t *testing.T, yaml string) *configs.Site {
	t.Helper()
	path := filepath.Join(t.TempDir(), "site.yaml")
	if err := os.WriteFile(path, []byte(yaml), 0o600); err != nil {
		t.Fatal(err)
	}
	site, err := configs.LoadFile(path)
	if err != nil {
		t.Fatalf("check: %v\n%s", err, yaml)
	}
	return site
}

func has(t *testing.T, yaml string, lines ...string) {
	t.Helper()
	for _, l := range lines {
		if !strings.Contains(yaml, "\n  "+l+"\n") {
			t.Errorf("no line %q in\n%s", l, yaml)
		}
	}
}

func doubts(d *pointlist.Draft) string {
	var b strings.Builder
	for _, x := range d.Doubts {
		b.WriteString(x.String() + "\n")
	}
	return b.String()
}

// A list as a panel builder hands it over: semicolons, decimal commas, 40001-style, words of IEC 61131-3, a title above.
const panel = `Register list wash control;;;;;;;
Rev. 3;;;;;;;
Tag;Beschreibung;Register;Datentyp;Einheit;Skalierung;Slave ID;Order
Air Header Pressure;Druck Luft;40011;INT;bar;0-27648 = 0-16 bar;1;
Oil Temperature;;40012;INT;°C;0,1;1;
Flow;;40013;REAL;l/min;;1;CDAB
Energy;;40015;UDINT;kWh;/10;1;ABCD
Pump 1 Run;;10005;BOOL;-;;1;
Pump 1 Fault;;40020.3;BOOL;;;1;
Level;;30002;UINT;%;x 0,01;1;
Oil Pressure;4-20 mA;40030;INT;barg;4-20mA = 0-250 bar;2;
`

func TestDraftOfAPanelList(t *testing.T) {
	d, yaml := draft(t, panel, pointlist.Options{Modbus: "tcp://10.0.4.10:502", Site: "Corner Wash", Zone: "Europe/Dublin"})
	has(t, yaml,
		"air.header.pressure: {link: plc, unit-id: 1, holding: 10, type: int16, scale: {from: [0, 27648], to: [0 bar, 16 bar]}, unit: bar}",
		"oil.temperature: {link: plc, unit-id: 1, holding: 11, type: int16, scale: 0.1 degC}",
		"flow: {link: plc, unit-id: 1, holding: 12, type: float32, order: CDAB, unit: L/min}",
		"energy: {link: plc, unit-id: 1, holding: 14, type: uint32, scale: 0.1 kWh}",
		"pump.1.run: {link: plc, unit-id: 1, discrete: 4}",
		"pump.1.fault: {link: plc, unit-id: 1, holding: 19, type: bit, bit: 3}",
		"level: {link: plc, unit-id: 1, input: 1, type: uint16, scale: '0.01 %'}",
		"oil.pressure: {link: plc, unit-id: 2, holding: 29, type: int16, signal: 4-20mA, raw-per-mA: 1000, scale: {from: [4 mA, 20 mA], to: [0 bar, 250 bar]}, unit: bar}",
	)
	if len(d.Doubts) != 1 || !strings.HasPrefix(d.Doubts[0].String(), "list.csv:11:") || !strings.Contains(d.Doubts[0].Text, "counts, not mA") {
		t.Errorf("doubts:\n%s", doubts(d))
	}
	site := check(t, yaml)
	if p, _ := site.Point("air.header.pressure"); p.Unit != "bar" || p.High != 16 || p.Station != "air" {
		t.Errorf("air.header.pressure: %+v", p)
	}
}

// Each doubt: a list with one thing open, and what must be said of it, with its place.
func TestDoubts(t *testing.T) {
	const head = "Name,Address,Type,Unit,Scale,Unit id,Table\n"
	tests := []struct{ name, list, want string }{
		{"address base", head + "a,10,INT16,bar,0.1,1,holding\n", "list.csv:1:6: the addresses are bare numbers and do not tell whether they count from 0 or from 1"},
		{"overlap", head + "a,0,REAL,bar,,1,holding\nb,1,INT16,bar,,1,holding\n", "list.csv:3:3: b: it overlaps a (line 2, holding 0-1): is its type right, or this address?"},
		{"same register", head + "a,0,INT16,bar,,1,holding\nb,0,INT16,bar,,1,holding\n", "list.csv:3:3: b: the same register as a (line 2)"},
		{"same bit", head + "a,0.3,BOOL,,,1,holding\nb,0.3,BOOL,,,1,holding\n", "list.csv:3:3: b: the same bit as a (line 2)"},
		{"order", head + "a,0,DINT,L,,1,holding\n", "list.csv:2:5: a: the order of the words is not said: ABCD is taken"},
		{"unit unknown", head + "a,0,INT,barometers,,1,holding\n", `list.csv:2:9: a: unknown unit "barometers": the value stands without a unit`},
		{"absolute", head + "a,0,INT,bara,,1,holding\n", "a: the pressure is absolute"},
		{"unit taken", head + "a,0,INT,C,,1,holding\n", "a: C is taken for degrees Celsius"},
		{"name twice", head + "Air pressure,0,INT,bar,,1,holding\nair.pressure,1,INT,bar,,1,holding\n", "list.csv:3:1: air.pressure-2: the name air.pressure stands in line 2 already"},
		{"no name", head + "气压,0,INT,bar,,1,holding\n", "list.csv:2:1: register.0: no name is left in plain letters"},
		{"type unknown", head + "a,0,INT61,bar,,1,holding\n", `list.csv:2:5: a: the type "INT61" is not known: uint16 is taken`},
		{"type narrow", head + "a,0,BYTE,,,1,holding\n", "a: BYTE has 8 bits, a register 16"},
		{"sign", head + "a,0,16 bit,,,1,holding\n", "a: 16 bit does not say whether the value can be negative"},
		{"scale unknown", head + "a,0,INT,bar,roughly,1,holding\n", `list.csv:2:13: a: "roughly" is no scale such as 0.1, /10 or 0-27648 = 0-16 bar`},
		{"scale of ten", head + "a,0,INT,bar,10,1,holding\n", "list.csv:2:13: a: 10 may divide or multiply: the count is divided by it (one count is 0.1)"},
		{"range alone", head + "a,0,INT,bar,0-16 bar,1,holding\n", "a: only what the instrument measures is given, not how many counts that is"},
		{"counts alone", head + "a,0,INT,bar,0-27648,1,holding\n", "a: what the counts 0 to 27648 mean is not said"},
		{"current alone", head + "a,0,INT,bar,4-20 mA,1,holding\n", "a: only the current is given: what 4 and 20 mA mean is not said"},
		{"no address", head + "a,,INT,bar,,1,holding\nb,0,INT,bar,,1,holding\n", "list.csv:2:1: a: a row without an address was left out"},
		{"heading", head + "AIR,,,,,,\nb,0,INT,bar,,1,holding\n", "list.csv:2:1: air: taken for a heading and left out"},
		{"bad address", head + "a,forty,INT,bar,,1,holding\nb,0,INT,bar,,1,holding\n", `list.csv:2:3: a: "forty" is no address such as 10, 40011, 0x0A, 4x0011, HR10 or 40011.3; the row was left out`},
		{"beyond the map", head + "a,70000,INT,bar,,1,holding\nb,0,INT,bar,,1,holding\n", `list.csv:2:3: a: "70000" is no address`},
		{"past the end", head + "a,65535,DINT,bar,,1,holding\nb,0,INT,bar,,1,holding\n", "a: address 65535 does not exist"},
		{"table column unknown", head + "a,0,INT,bar,,1,memory\n", `list.csv:2:16: a: "memory" is no table`},
		{"no table", "Name,Address,Type\na,0,INT\n", "a: neither the address nor a column tells the table: holding is taken"},
		{"no unit id column", "Name,Address,Type\na,40001,INT\n", "no column tells the unit id: 1 is taken for every point"},
		{"no type column", "Name,Address\na,40001\n", "no column tells the type"},
		{"unit id", head + "a,0,INT,bar,,300,holding\n", `list.csv:2:14: a: "300" is no unit id (0 to 255): 1 is taken`},
		{"counted from forty thousand", "Name,Address,Type\na,40000,INT\nb,40001,INT\n", "list.csv:2:3: a: 40000 would be before the first register (40001 is address 0)"},
		{"contradiction", "Name,Address,Type,Table\na,4x0011,INT,input\n", "a: input says input, the address 4x0011 says holding: the table column is taken"},
		{"no reference", "Name,Address,Type,Table\na,10011,INT,holding\n", "a: 10011 would be a reference of the discrete table, and the list says holding: it is taken for the bare address"},
		{"mixed", "Name,Address,Type\na,5,INT\nb,6,INT\nc,40011,INT\n", "c: 40011 looks like a reference, most addresses here are bare numbers"},
		{"controller's name", "Name,Address,Type\na,%MW10,INT\n", "a: %MW10 is the controller's own name"},
		{"written only", "Name,Address,Type,Access\na,40001,INT,WO\nb,40002,INT,R\n", "a: it can only be written, and Roundsman only reads"},
		{"length", "Name,Address,Type,Length\na,40001,INT,2\n", "a: 2 registers do not fit the type INT: int32 is taken"},
		{"little endian", "Name,Address,Type,Order\na,40001,REAL,little endian\n", `a: "little endian" may mean swapped words (CDAB) or all bytes turned round (DCBA)`},
		{"bit out of place", "Name,Address,Type,Bit\na,40001,BOOL,16\n", `a: "16" is no bit (0 to 15)`},
		{"column left out", "Name,Address,Type,Colour\na,40001,INT,red\n", `list.csv:1:19: the column "Colour" was left out`},
		{"whole register as range", "Name,Address,Type,Scale,Min,Max\na,40001,UINT,0.1,0,65535\n", "a: 0 to 65535 look like what a register can hold"},
		{"two devices with one id", "Name,Address,Type,Slave ID,Device\na,40001,INT,3,Drive 1\nb,40002,INT,3,Drive 2\n",
			`list.csv:3:13: b: "Drive 2" and "Drive 1" (line 2) both have the unit id 3: on one line two devices with one id spoil each other's answers; give one of them another`},
		{"no link", "Name,Address,Type\na,40001,INT\n", "the link's address is not known (--modbus)"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			d, yaml := draft(t, tt.list, pointlist.Options{})
			if !strings.Contains(doubts(d), tt.want) {
				t.Errorf("%q not said; said\n%s", tt.want, doubts(d))
			}
			for _, x := range d.Doubts { // each stands in the file too
				if !strings.Contains(yaml, x.Text) {
					t.Errorf("%q does not stand in the site file", x.Text)
				}
			}
		})
	}
}

// What a list says plainly needs no doubt: each row with its line of the site file.
func TestPlainRows(t *testing.T) {
	for row, want := range map[string]string{
		"a,40011,INT16,bar,0.1,,,,":              "a: {link: plc, unit-id: 1, holding: 10, type: int16, scale: 0.1 bar}",
		"a,400011,UINT,bar,,,,,":                 "a: {link: plc, unit-id: 1, holding: 10, type: uint16, unit: bar}",
		"a,0x000A,WORD,,,,Holding (03),,":        "a: {link: plc, unit-id: 1, holding: 10, type: uint16}",
		"a,000Ah,WORD,,,,input,,":                "a: {link: plc, unit-id: 1, input: 10, type: uint16}",
		"a,4x0011,INT,degF,x0.1,,,,":             "a: {link: plc, unit-id: 1, holding: 10, type: int16, scale: 0.1 degF}",
		"a,30009,INT,pH,1/100,,,,":               "a: {link: plc, unit-id: 1, input: 8, type: int16, scale: 0.01 pH}",
		"a,10197,BOOL,,,,,,":                     "a: {link: plc, unit-id: 1, discrete: 196}",
		"a,00020,bit,,,,,,":                      "a: {link: plc, unit-id: 1, coil: 19}",
		"a,40011,bit 3,,,,,,":                    "a: {link: plc, unit-id: 1, holding: 10, type: bit, bit: 3}",
		"a,40011-40012,FLOAT,m3/h,,,,CDAB,":      "a: {link: plc, unit-id: 1, holding: 10, type: float32, order: CDAB, unit: m3/h}",
		"a,40011,float32 (ABCD),psi,,,,,":        "a: {link: plc, unit-id: 1, holding: 10, type: float32, unit: psi}",
		"a,40011,STRING[16],,,,,,":               "a: {link: plc, unit-id: 1, holding: 10, type: text, length: 8}",
		"a,40011,INT,°C,10^-1,,,,":               "a: {link: plc, unit-id: 1, holding: 10, type: int16, scale: 0.1 degC}",
		"a,40011,INT,bar,,0-16 bar,,,250 ms":     "a: {link: plc, unit-id: 1, holding: 10, type: int16, unit: bar, range: [0 bar, 16 bar], every: 250 ms}",
		"a,40011,DWORD,m³,0.001,,,BADC,":         "a: {link: plc, unit-id: 1, holding: 10, type: uint32, order: BADC, scale: 0.001 m3}",
		"a,40011,LREAL,,,,,DCBA,":                "a: {link: plc, unit-id: 1, holding: 10, type: float64, order: DCBA}",
		"a,40011,BCD,,,,,,":                      "a: {link: plc, unit-id: 1, holding: 10, type: bcd16}",
		"a,40011,INT,%,0-1000 = 0-100 %,,,,":     "a: {link: plc, unit-id: 1, holding: 10, type: int16, scale: {from: [0, 1000], to: ['0 %', '100 %']}, unit: '%'}",
		"a,40011,INT,psi,0-16 bar = 0-27648,,,,": "a: {link: plc, unit-id: 1, holding: 10, type: int16, scale: {from: [0, 27648], to: [0 bar, 16 bar]}, unit: psi}",
	} {
		_, yaml := draft(t, "Name,Address,Type,Unit,Scale,Range,Table,Order,Every\n"+row+"\n", pointlist.Options{})
		has(t, yaml, want)
	}
}

// Addresses counted from 1 where the heading or the user says so, and never where there is an address 0.
func TestBase(t *testing.T) {
	for _, tt := range []struct {
		list string
		base pointlist.Base
		want string
	}{
		{"Name,Address (1-based),Type,Table\na,11,INT,holding\n", pointlist.Undecided, "holding: 10"},
		{"Name,Address (0-based),Type,Table\na,10,INT,holding\n", pointlist.Undecided, "holding: 10"},
		{"Name,Address,Type,Table\na,11,INT,holding\n", pointlist.One, "holding: 10"},
		{"Name,Address,Type,Table\na,11,INT,holding\n", pointlist.Zero, "holding: 11"},
		{"Name,Address,Type,Table\nz,0,INT,holding\na,11,INT,holding\n", pointlist.One, "holding: 11"},
		{"Name,Address,Type\nz,40000,INT\na,40010,INT\n", pointlist.Undecided, "holding: 10"},
		{"Name,Address,Type\na,40011,INT\n", pointlist.One, "holding: 10"},
	} {
		_, yaml := draft(t, tt.list, pointlist.Options{Base: tt.base})
		if !strings.Contains(yaml, "  a: {link: plc, unit-id: 1, "+tt.want+",") {
			t.Errorf("%q from %d: want %s in\n%s", tt.list, tt.base, tt.want, yaml)
		}
	}
}

// An offset is a straight line through the type's ends: -40 + count / 10, so that the scale limits nothing.
func TestOffset(t *testing.T) {
	_, yaml := draft(t, "Name,Address,Type,Unit,Factor,Offset\na,40001,INT,degC,0.1,-40\n", pointlist.Options{})
	has(t, yaml, "a: {link: plc, unit-id: 1, holding: 0, type: int16, scale: {from: [-32768, 32767], to: [-3316.8 degC, 3236.7 degC]}, unit: degC}")
}

// The same list in every coding and with every separator gives the same points.
func TestCodings(t *testing.T) {
	const list = "Name;Address;Type;Unit;Scale\nÖltemperatur;40001;INT;°C;0,1\n"
	wide := func(order binary.AppendByteOrder, mark bool) []byte {
		var b []byte
		if mark {
			b = order.AppendUint16(nil, 0xFEFF)
		}
		for _, u := range utf16.Encode([]rune(list)) {
			b = order.AppendUint16(b, u)
		}
		return b
	}
	western := []byte(strings.NewReplacer("Ö", "\xd6", "°", "\xb0").Replace(list))
	tabs := strings.ReplaceAll(list, ";", "\t")
	commas := strings.NewReplacer("0,1", `"0,1"`, ";", ",").Replace(list)
	for name, data := range map[string][]byte{
		"UTF-8": []byte(list), "with mark": append([]byte{0xEF, 0xBB, 0xBF}, list...), "UTF-16 LE": wide(binary.LittleEndian, true), "UTF-16 BE": wide(binary.BigEndian, true),
		"UTF-16 bare": wide(binary.LittleEndian, false), "Windows-1252": western, "tabs": []byte(tabs), "commas": []byte(commas),
		"named separator": []byte("sep=;\r\n" + list), "CRLF": []byte(strings.ReplaceAll(list, "\n", "\r\n")),
	} {
		l, err := pointlist.Read("list.csv", data)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		yaml := string(l.Draft(pointlist.Options{}).YAML())
		if !strings.Contains(yaml, "  oltemperatur: {link: plc, unit-id: 1, holding: 0, type: int16, scale: 0.1 degC}") {
			t.Errorf("%s:\n%s", name, yaml)
		}
	}
}

// What is no list is refused with a word that says why and what to do.
func TestNoList(t *testing.T) {
	for name, tt := range map[string]struct {
		data []byte
		want string
	}{
		"a spreadsheet's own file": {[]byte("PK\x03\x04..."), "save it as 'CSV UTF-8'"},
		"an old spreadsheet's":     {[]byte{0xD0, 0xCF, 0x11, 0xE0, 0xA1}, "save it as 'CSV UTF-8'"},
		"a picture":                {[]byte("\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR"), "this is no text"},
		"nothing":                  {[]byte(" \n"), "it is empty"},
		"no head line":             {[]byte("a,40001,INT\nb,40002,INT\n"), "no head line found"},
		"no rows":                  {[]byte("Name,Address,Type\n"), "no rows below the head line 1"},
		"half a UTF-16 letter":     {[]byte{0xFF, 0xFE, 'a'}, "this is no text"},
	} {
		if _, err := pointlist.Read("list.csv", tt.data); err == nil || !strings.HasPrefix(err.Error(), "list.csv: ") || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: said %v, want %q", name, err, tt.want)
		}
	}
}

// Whatever bytes come, reading them ends, and what is made of them passes check.
func FuzzDraft(f *testing.F) {
	f.Add([]byte(panel), true)
	f.Add([]byte("Name,Address,Type,Min,Max,Offset,Signal type\na,40001,INT,0,16,3,4-20mA\n"), false)
	f.Add([]byte("Name,Address,Unit\n\"a\n# b: {c}\",40001,'}\n"), false)
	f.Add([]byte("Name,Address,Range\na,65535.15,5 - -1e300\nlink.x,0x0,1-2 %\n"), true)
	f.Fuzz(func(t *testing.T, data []byte, serial bool) {
		l, err := pointlist.Read("list.csv", data)
		if err != nil {
			return
		}
		o := pointlist.Options{Modbus: "tcp://10.0.4.10:502"}
		if serial {
			o.Modbus = "rtu:///dev/ttyUSB0"
		}
		d := l.Draft(o)
		if d.Points() == 0 {
			return
		}
		yaml := d.YAML()
		if bytes.Count(yaml, []byte("\n")) > 100_000 {
			return // more than 'check' takes
		}
		check(t, string(yaml))
	})
}
