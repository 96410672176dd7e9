package sms

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// Room of one message and of one part of several (3GPP TS 23.040, clause 9.2.3.24.1, header with 8-bit reference).
const (
	septetsAlone, septetsPart = 160, 153
	unitsAlone, unitsPart     = 70, 67
)

// The default alphabet of 3GPP TS 23.038, clause 6.2.1, in the order of its codes with ESC (0x1B) left out, and
// the extension table of clause 6.2.1.1, whose characters take two septets. From memory; the test compares them
// with a second table and with the library's.
const (
	alphabet = "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?" +
		"¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
	extension = "\f^{}\\[~]|€"
)

// septets returns how many septets the character takes, 0 if the alphabet lacks it.
func septets(r rune) int {
	switch {
	case strings.ContainsRune(alphabet, r):
		return 1
	case strings.ContainsRune(extension, r):
		return 2
	}
	return 0
}

// Fit returns the room the text takes: the septets of the GSM alphabet, or the UTF-16 units (ucs2 true) if a
// character is not in it, and the number of messages it is sent as (0 for an empty text). No character is split
// over two parts. Invalid UTF-8 and escapes count as they are sent, as '?'.
func Fit(text string) (septets int, ucs2 bool, parts int) {
	sizes, ucs2 := sizes(text)
	for _, n := range sizes {
		septets += n
	}
	alone, part := septetsAlone, septetsPart
	if ucs2 {
		alone, part = unitsAlone, unitsPart
	}
	switch {
	case septets == 0:
		return 0, false, 0
	case septets <= alone:
		return septets, ucs2, 1
	}
	parts, used := 1, 0
	for _, n := range sizes {
		if used += n; used > part {
			parts, used = parts+1, n
		}
	}
	return septets, ucs2, parts
}

// sendable returns the text as it can be encoded: valid UTF-8, without the escape, which the library would send as a
// character of the alphabet.
func sendable(text string) string {
	return strings.ReplaceAll(strings.ToValidUTF8(text, "?"), "\x1b", "?")
}

// sizes returns the room of each character, in septets or else in UTF-16 units.
func sizes(text string) (room []int, ucs2 bool) {
	text = sendable(text)
	room = make([]int, 0, len(text))
	for _, r := range text {
		n := septets(r)
		if n == 0 {
			return units(text), true
		}
		room = append(room, n)
	}
	return room, false
}

func units(text string) []int {
	room := make([]int, 0, len(text))
	for _, r := range text {
		if r > 0xFFFF {
			room = append(room, 2)
		} else {
			room = append(room, 1)
		}
	}
	return room
}

// Plain returns the text with characters outside the GSM alphabet replaced by what reads the same, so that 160
// characters fit a message instead of 70: '71 °C' becomes '71 C', 'm³' 'm3', 'µS/cm' 'uS/cm', curly quotes straight
// ones, 'ç' 'c'. Characters without such a stand-in (another script) stay, as do line ends; control characters go.
func Plain(text string) string {
	var b strings.Builder
	for _, r := range strings.ToValidUTF8(text, "?") {
		switch {
		case r == '\r' || r == '\f':
			// a line end is one character
		case septets(r) > 0:
			b.WriteRune(r)
		default:
			b.WriteString(standIn(r))
		}
	}
	return b.String()
}

func standIn(r rune) string {
	if s, ok := signs(r); ok {
		return s
	}
	if base := unaccented(r); base != 0 {
		return string(base)
	}
	switch {
	case unicode.Is(unicode.Mn, r), unicode.IsControl(r), unicode.Is(unicode.Cf, r):
		return "" // accents on their own, invisible marks
	case unicode.IsSpace(r):
		return " "
	}
	return string(r)
}

// signs returns the stand-in of a sign; "" with true drops it.
func signs(r rune) (string, bool) {
	switch r {
	case '\t':
		return " ", true
	case '°', 'º', 'ª':
		return "", true
	case '℃':
		return "C", true
	case '℉':
		return "F", true
	case 'µ', 'μ':
		return "u", true
	case '\u2126': // the ohm sign is a character of its own; the Greek letter is in the alphabet
		return "Ω", true
	case '¹':
		return "1", true
	case '²', '₂':
		return "2", true
	case '³', '₃':
		return "3", true
	case '½':
		return "1/2", true
	case '¼':
		return "1/4", true
	case '¾':
		return "3/4", true
	case '‘', '’', '‚', '‛', '′', '`', '´':
		return "'", true
	case '“', '”', '„', '‟', '″', '«', '»':
		return "\"", true
	case '‐', '‑', '‒', '–', '—', '―', '−':
		return "-", true
	case '…':
		return "...", true
	case '•', '·', '∙', '⋅':
		return "-", true
	case '×':
		return "x", true
	case '÷':
		return "/", true
	case '±':
		return "+/-", true
	case '≤':
		return "<=", true
	case '≥':
		return ">=", true
	case '≠':
		return "<>", true
	case '≈':
		return "~", true
	case '→':
		return "->", true
	case '←':
		return "<-", true
	case '‰':
		return "o/oo", true
	case '™':
		return "TM", true
	case 'œ':
		return "oe", true
	case 'Œ':
		return "OE", true
	}
	return "", false
}

// accented lists letters after their base, those of the GSM alphabet left out.
const accented = "AÀÁÂÃĀĂĄ aáâãāăą CĆĈĊČ cçćĉċč DĎĐÐ dďđð EÈÊËĒĔĖĘĚ eêëēĕėęě GĜĞĠĢ gĝğġģ HĤĦ hĥħ IÌÍÎÏĨĪĬĮİ iíîïĩīĭįı " +
	"JĴ jĵ KĶ kķ LĹĻĽĿŁ lĺļľŀł NŃŅŇ nńņň OÒÓÔÕŌŎŐ oóôõōŏő RŔŖŘ rŕŗř SŚŜŞŠȘ sśŝşšș TŢŤŦȚ tţťŧț UÙÚÛŨŪŬŮŰŲ uúûũūŭůűų " +
	"WŴẀẂẄ wŵẁẃẅ YÝŶŸ yýÿŷ ZŹŻŽ zźżž"

// unaccented returns the Latin letter without its accent, 0 if r is none.
func unaccented(r rune) rune {
	for group := range strings.FieldsSeq(accented) {
		if strings.ContainsRune(group, r) {
			base, _ := utf8.DecodeRuneInString(group)
			return base
		}
	}
	return 0
}

// cut shortens the text so that it is sent as at most the given number of messages, and shows that it was.
func cut(text string, parts int) string {
	if _, _, n := Fit(text); n <= parts {
		return text
	}
	runes := []rune(text)
	low, high := 0, len(runes)
	for low < high {
		mid := (low + high + 1) / 2
		if _, _, n := Fit(string(runes[:mid]) + "..."); n <= parts {
			low = mid
		} else {
			high = mid - 1
		}
	}
	return string(runes[:low]) + "..."
}
