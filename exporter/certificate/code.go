package certificate

import (
	"fmt"
	"strings"

	"rsc.io/qr"
)

// Code returns the modules of a QR code (ISO/IEC 18004) of a text, line by line; true is dark. It has no quiet zone.
func Code(text string) ([][]bool, error) {
	c, err := qr.Encode(text, qr.M)
	if err != nil {
		return nil, fmt.Errorf("code: %w", err)
	}
	lines := make([][]bool, c.Size)
	for y := range lines {
		lines[y] = make([]bool, c.Size)
		for x := range lines[y] {
			lines[y][x] = c.Black(x, y)
		}
	}
	return lines, nil
}

// Text is what the code of a certificate holds: the address to open, and behind '#', which browsers keep to
// themselves, the fingerprint to compare.
func Text(address, fingerprint string) string {
	return address + "/#sha256=" + strings.ReplaceAll(fingerprint, ":", "")
}

// quiet is the width of the quiet zone, in modules (ISO/IEC 18004, from memory).
const quiet = 4

// Draw draws a code for a terminal, two modules in one character, dark on light whatever the terminal's own colours:
// it sets black on white and ends with the colours as they were.
func Draw(code [][]bool) string {
	dark := func(x, y int) bool {
		return y >= 0 && y < len(code) && x >= 0 && x < len(code) && code[y][x]
	}
	var b strings.Builder
	for y := -quiet; y < len(code)+quiet; y += 2 {
		b.WriteString("\x1b[30;107m")
		for x := -quiet; x < len(code)+quiet; x++ {
			switch up, down := dark(x, y), dark(x, y+1); {
			case up && down:
				b.WriteRune('█')
			case up:
				b.WriteRune('▀')
			case down:
				b.WriteRune('▄')
			default:
				b.WriteByte(' ')
			}
		}
		b.WriteString("\x1b[0m\n")
	}
	return b.String()
}
