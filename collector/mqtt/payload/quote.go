package payload

import (
	"fmt"
	"strconv"
	"unicode/utf8"
)

// quoted bytes of a payload in a message.
const quoteBytes = 64

// Quote returns the first 64 bytes of a payload as a Go string literal, so
// that no control character of it reaches a terminal or a page, and the length of what is longer.
func Quote(b []byte) string { return QuotePart(b, len(b)) }

// QuotePart quotes the beginning of a payload that was size bytes long.
func QuotePart(b []byte, size int) string {
	if size <= quoteBytes {
		return strconv.Quote(string(b))
	}
	cut := b[:min(len(b), quoteBytes)]
	for n := 1; n < utf8.UTFMax && n <= len(cut); n++ { // a letter that the cut went through
		if c := cut[len(cut)-n]; utf8.RuneStart(c) {
			if !utf8.FullRune(cut[len(cut)-n:]) {
				cut = cut[:len(cut)-n]
			}
			break
		}
	}
	return fmt.Sprintf("%s... (%d bytes)", strconv.Quote(string(cut)), size)
}
