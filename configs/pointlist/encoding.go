package pointlist

import (
	"bytes"
	"encoding/binary"
	"errors"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// Errors of files that are no list at all.
var (
	errSpreadsheet = errors.New("this is a spreadsheet's own file; in the spreadsheet save it as 'CSV UTF-8' and import that")
	errBinary      = errors.New("this is no text; in the spreadsheet save the list as 'CSV UTF-8' and import that")
	errEmpty       = errors.New("it is empty")
)

// text returns the file's text and, where the coding was not plain UTF-8, what it was taken for.
func text(data []byte) (s, taken string, err error) {
	switch {
	case bytes.HasPrefix(data, []byte("PK\x03\x04")), bytes.HasPrefix(data, []byte{0xD0, 0xCF, 0x11, 0xE0}):
		return "", "", errSpreadsheet
	case bytes.HasPrefix(data, []byte{0xFF, 0xFE}):
		return wide(data[2:], binary.LittleEndian, "UTF-16")
	case bytes.HasPrefix(data, []byte{0xFE, 0xFF}):
		return wide(data[2:], binary.BigEndian, "UTF-16")
	}
	data = bytes.TrimPrefix(data, []byte{0xEF, 0xBB, 0xBF})
	if order := bare16(data); order != nil {
		return wide(data, order, "UTF-16 without a mark")
	}
	switch {
	case bytes.IndexByte(data, 0) >= 0:
		return "", "", errBinary
	case len(bytes.TrimSpace(data)) == 0:
		return "", "", errEmpty
	case utf8.Valid(data):
		return string(data), "", nil
	}
	return western(data), "Windows-1252 (Western European), as it is no UTF-8", nil
}

// wide decodes UTF-16.
func wide(data []byte, order binary.ByteOrder, name string) (s, taken string, err error) {
	if len(data)%2 != 0 {
		return "", "", errBinary
	}
	units := make([]uint16, len(data)/2)
	for i := range units {
		units[i] = order.Uint16(data[2*i:])
	}
	s = string(utf16.Decode(units))
	switch {
	case strings.ContainsRune(s, 0):
		return "", "", errBinary
	case strings.TrimSpace(s) == "":
		return "", "", errEmpty
	}
	return s, name, nil
}

// bare16 returns the byte order of UTF-16 without a mark: of Western text every other byte is 0. nil for anything else.
func bare16(data []byte) binary.ByteOrder {
	if len(data) < 4 || len(data)%2 != 0 {
		return nil
	}
	var zeros [2]int
	for i, c := range data {
		if c == 0 {
			zeros[i%2]++
		}
	}
	half := len(data) / 2
	switch {
	case zeros[0] == 0 && 10*zeros[1] > 9*half:
		return binary.LittleEndian
	case zeros[1] == 0 && 10*zeros[0] > 9*half:
		return binary.BigEndian
	}
	return nil
}

// cp1252 are the characters that Windows-1252 has at 0x80 to 0x9F.
var cp1252 = [32]rune{'€', '?', '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', '?', 'Ž', '?',
	'?', '‘', '’', '“', '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', '?', 'ž', 'Ÿ'}

// western decodes Windows-1252.
func western(data []byte) string {
	var b strings.Builder
	for _, c := range data {
		if c >= 0x80 && c < 0xA0 {
			b.WriteRune(cp1252[c-0x80])
		} else {
			b.WriteRune(rune(c))
		}
	}
	return b.String()
}
