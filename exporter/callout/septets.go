package callout

import (
	"strings"
	"unicode/utf16"
)

// The default alphabet of 3GPP TS 23.038, clause 6.2.1, but for its control codes, and the characters of the extension table, which
// take two septets (from memory; the table's published packings agree).
const (
	gsmBasic = "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?" +
		"¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
	gsmExtra = "\f^{}\\[~]|€"
)

// Room of one text message in septets of the GSM alphabet, and in characters beyond it (3GPP TS 23.040, clause 9.2.3.24).
const (
	Room      = 160
	RoomOther = 70
)

// Septets returns how many septets of the GSM alphabet a text takes and true, or else its UTF-16 units and false.
func Septets(text string) (n int, gsm bool) {
	gsm = true
	for _, r := range text {
		switch {
		case strings.ContainsRune(gsmBasic, r):
			n++
		case strings.ContainsRune(gsmExtra, r):
			n += 2
		default:
			gsm = false
		}
	}
	if !gsm {
		n = len(utf16.Encode([]rune(text)))
	}
	return n, gsm
}

// gsmStandIns are what is written for characters outside the alphabet that our own texts hold.
func gsmStandIns() *strings.Replacer {
	return strings.NewReplacer("°C", "C", "degC", "C", "°F", "F", "degF", "F", "°", "", "µ", "u", "μ", "u", "³", "3", "²", "2", "½", "1/2",
		"–", "-", "—", "-", "‘", "'", "’", "'", "“", "\"", "”", "\"", "…", "...", "×", "x", "≤", "<=", "≥", ">=", "\t", " ", "\u00a0", " ",
		"á", "a", "í", "i", "ó", "o", "ú", "u", "ê", "e", "ç", "c", "Á", "A", "Í", "I", "Ó", "O", "Ú", "U")
}

// Plain writes what our texts hold beyond the GSM alphabet in its characters: '71 °C' as '71 C', 'm³' as 'm3'.
func Plain(text string) string { return gsmStandIns().Replace(text) }
