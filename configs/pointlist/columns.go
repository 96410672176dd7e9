package pointlist

import (
	"strings"
	"unicode"
)

// column is what a column of the list holds.
type column uint8

const (
	unknown column = iota
	colName
	colDescription
	colDevice
	colUnitID
	colTable
	colAddress
	colType
	colOrder
	colBit
	colLength
	colScale
	colDivisor
	colMultiplier
	colDecimals
	colOffset
	colUnit
	colRange
	colLow
	colHigh
	colRawLow
	colRawHigh
	colSignal
	colAccess
	colEvery
)

// headings are the names of columns as lists have them, in letters and digits only.
var headings = map[column]string{
	colName:        "name tag tagname point pointname signal signalname symbol variable variablename parameter item bezeichnung signalbezeichnung messstelle kks identifier id datapoint",
	colDescription: "description desc comment comments remark remarks text beschreibung kommentar bemerkung function meaning note notes details",
	colDevice:      "device devicename equipment station slave slavename instrument gerat geraet node unitname",
	colUnitID:      "unitid slaveid slaveaddress deviceid deviceaddress stationaddress nodeid nodeaddress modbusid serveraddress unitaddress slaveno slavenumber busaddress",
	colTable:       "table registertype regtype area functioncode fc function code space registerclass modbustype modbusfunction memory objecttype registertable",
	colAddress:     "address addr register registeraddress regaddress reg modbusaddress modbusregister adresse registeradresse registernumber registerno regno number no nr offsetaddress startaddress startregister wordaddress plcaddress reference modbusreference addressdec registerdec addresshex addresszerobased addressonebased",
	colType:        "type datatype format dataformat typ datentyp valuetype dtype encoding size",
	colOrder:       "order byteorder wordorder endian endianness endianess swap byteswap wordswap",
	colBit:         "bit bitno bitnumber bitposition bitoffset",
	colLength:      "length len registers words noofregisters registercount quantity count regcount laenge lange wordcount numregisters",
	colScale:       "scale scaling scalefactor factor skalierung faktor conversion resolution lsb aufloesung auflosung weight scaled",
	colDivisor:     "divisor divider div divideby",
	colMultiplier:  "multiplier gain multiply multiplyby coefficient slope mult",
	colDecimals:    "decimals decimalplaces decimal dp precision nachkommastellen digits",
	colOffset:      "offset bias zero valueoffset",
	colUnit:        "unit units engunit engunits engineeringunit engineeringunits eu einheit uom unitofmeasure measure unitofmeasurement",
	colRange:       "range measuringrange measurementrange span messbereich bereich engrange scalerange",
	colLow:         "min minimum low rangelow rangemin engmin englow lower lrv eumin minvalue scalelow",
	colHigh:        "max maximum high rangehigh rangemax engmax enghigh upper urv eumax maxvalue scalehigh",
	colRawLow:      "rawmin rawlow rawlower inputmin countsmin rawzero",
	colRawHigh:     "rawmax rawhigh rawupper inputmax countsmax rawspan rawfull",
	colSignal:      "signaltype inputsignal sensorsignal output electrical sensoroutput",
	colAccess:      "access rw readwrite accessrights zugriff mode permission rwaccess",
	colEvery:       "every interval scan scanrate pollrate rate cycle updaterate pollinterval refresh scantime",
}

// columnsByWord is headings turned round.
var columnsByWord = func() map[string]column {
	out := map[string]column{}
	for c, words := range headings {
		for w := range strings.FieldsSeq(words) {
			out[w] = c
		}
	}
	return out
}()

// plain keeps a heading's letters and digits: 'Reg. Address (dec)' is 'regaddress'. What stands in brackets goes to note.
func plain(heading string) (word, note string) {
	head, rest, _ := strings.Cut(heading, "(")
	if i := strings.IndexByte(head, '['); i >= 0 {
		head, rest = head[:i], head[i:]+rest
	}
	return letters(head), letters(rest)
}

func letters(s string) string {
	return strings.Map(func(c rune) rune {
		if unicode.IsLetter(c) || unicode.IsDigit(c) {
			return fold(unicode.ToLower(c))
		}
		return -1
	}, s)
}

// fold takes the marks off the letters of Western languages.
func fold(c rune) rune {
	const marked, bare = "äàâáãåçéèêëíìîïñöòóôõøüùúûýÿ", "aaaaaaceeeeiiiinoooooouuuuyy"
	for i, m := range []rune(marked) {
		if c == m {
			return rune(bare[i])
		}
	}
	return c
}

// columnOf returns what a heading stands for.
func columnOf(heading string) (c column, note string) {
	word, note := plain(heading)
	if c, ok := columnsByWord[word]; ok {
		return c, note
	}
	for _, end := range []string{"dec", "hex", "decimal", "0based", "1based", "zerobased", "onebased"} {
		if base, ok := strings.CutSuffix(word, end); ok {
			if c, ok := columnsByWord[base]; ok {
				return c, note + end
			}
		}
	}
	for _, begin := range []string{"modbus", "plc", "eng", "engineering", "holding", "hmi"} {
		if rest, ok := strings.CutPrefix(word, begin); ok {
			if c, ok := columnsByWord[rest]; ok {
				return c, note
			}
		}
	}
	return unknown, note
}
