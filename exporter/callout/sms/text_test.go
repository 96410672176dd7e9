package sms_test

import (
	"strings"
	"testing"
	"unicode/utf8"

	"roundsman/exporter/callout/sms"
)

func TestParseAnswer(t *testing.T) {
	tests := []struct {
		text   string
		number int
		ok     bool
	}{
		{"ok 3", 3, true}, {"OK", 0, true}, {"ok3", 3, true}, {"Ok  7 thanks", 7, true}, {" ok\n", 0, true},
		{"OK 12.", 12, true}, {"ok #7", 7, true}, {"ok: 7", 7, true}, {"O.K. 7", 7, true}, {"o k 7", 7, true},
		{"\"ok 7\"", 7, true}, {"0k 7", 7, true}, {"okay 7", 7, true}, {"Okey", 0, true}, {"oki 4", 4, true},
		{"ok!", 0, true}, {"ok, thanks", 0, true}, {"ok 007", 7, true}, {"ok\t7", 7, true}, {"ok-7", 7, true},
		{"ок 7", 7, true}, {"ОК", 0, true}, {"οκ 7", 7, true}, {"ＯＫ ７", 7, true}, {"ok ٧", 7, true}, {"ok ७", 7, true},
		{"ok \U0001D7DF", 7, true}, {"7", 7, true}, {"#7", 7, true}, {" 40. ", 40, true}, {"\U0001F44D", 0, true}, {"\U0001F44D 7", 7, true},
		{"ok 7 on my way, 10 min", 7, true}, {"ok 7\n> Ardenmoor AIR", 7, true},
		{"ok there in 10 min", 0, true}, {"ok 10:30", 0, true}, {"ok 10.30", 0, true}, {"ok 10min", 0, true}, {"ok 5%", 0, true},
		{"", 0, false}, {"no", 0, false}, {"not ok", 0, false}, {"okra 7", 0, false}, {"look 7", 0, false}, {"oklahoma", 0, false},
		{"7 what", 7, false}, {"why 7?", 0, false}, {"ok 1234567", 0, false}, {"12345678901234567890", 0, false}, {"STOP", 0, false},
		{"k 7", 0, false}, {"o", 0, false}, {"...", 0, false}, {"\xff\xfe", 0, false},
	}
	for _, tt := range tests {
		number, ok := sms.ParseAnswer(tt.text)
		if ok != tt.ok || ok && number != tt.number {
			t.Errorf("%q: got %d, %v, want %d, %v", tt.text, number, ok, tt.number, tt.ok)
		}
	}
}

func TestPlain(t *testing.T) {
	tests := []struct{ text, want string }{
		{"71 °C", "71 C"}, {"3 m³ of 4 m²", "3 m3 of 4 m2"}, {"40 µS/cm", "40 uS/cm"}, {"40 μS/cm", "40 uS/cm"}, {"71℃ 160℉", "71C 160F"},
		{"“a” ‘b’ „c‟ «d»", "\"a\" 'b' \"c\" \"d\""}, {"a–b—c−d…", "a-b-c-d..."}, {"½ ¼ ¾", "1/2 1/4 3/4"}, {"≤ 5, ≥ 6, ± 1", "<= 5, >= 6, +/- 1"},
		{"ça, Ça, étage, háček", "ca, Ça, étage, hacek"}, {"Łódź, Győr, Iași", "Lódz, Gyor, Iasi"}, {"a\u00a0b\tc\u2009d", "a b c d"},
		{"a\u0301b\u200bc\x00d\x1be", "abcde"}, {"one\r\ntwo", "one\ntwo"}, {"5 Ω", "5 Ω"}, {"5 \u2126", "5 Ω"}, {"€ [1] {2} ~ | \\ ^", "€ [1] {2} ~ | \\ ^"},
		{"Цех", "Цех"}, {"bad \xff", "bad ?"}, {"œuf", "oeuf"},
	}
	for _, tt := range tests {
		if got := strings.NewReplacer("ó", "o").Replace(sms.Plain(tt.text)); got != strings.NewReplacer("ó", "o").Replace(tt.want) {
			t.Errorf("%q: got %q, want %q", tt.text, got, tt.want)
		}
	}
	if got := sms.Plain("Łódź"); got != "Lodz" {
		t.Errorf("got %q: ó is not in the alphabet", got)
	}
}

// The model texts of the trade's notes, with their counted lengths.
func TestModelTexts(t *testing.T) {
	for text, want := range map[string]int{
		"Ardenmoor AIR header 5.3 bar, low 5.5, falling, since 06:12. Compressor not loading. Stop loading cars; check compressor panel. Reply OK 7":     138,
		"Ardenmoor FAULT air header sensor 3.4 mA since 14:02 (wire or transmitter), last good 7.6 bar. Read the gauge; not a low-air alarm. Reply OK 9": 142,
		"Ardenmoor NORMAL air header 7.1 bar since 06:19, was low 7 min (lowest 4.9). Acknowledged 06:13 by N. Quill":                                    107,
		"DRILL Ardenmoor: test call 2 of 3, nothing is wrong. Reply OK 40 within 10 min":                                                                 78,
	} {
		if n, ucs2, parts := sms.Fit(text); n != want || ucs2 || parts != 1 {
			t.Errorf("%d, %v, %d, want %d: %s", n, ucs2, parts, want, text)
		}
	}
}

func TestNumber(t *testing.T) {
	for text, want := range map[string]string{
		"+353871234567": "+353871234567", " +353 87 123-4567": "+353871234567", "+1 (555) 010.0123": "+15550100123",
		"+123456789012345": "+123456789012345", "+1234567": "+1234567",
		"": "", "+": "", "0871234567": "", "00353871234567": "", "+0353871234567": "", "+123456": "", "+1234567890123456": "",
		"+35387a234567": "", "++353871234567": "", "353+871234567": "", "+353871234567;ATH": "", "+353\r871234567": "", "+٣٥٣٨٧١٢٣٤٥٦٧": "",
	} {
		got, err := sms.Number(text)
		if got != want || (err == nil) != (want != "") {
			t.Errorf("%q: got %q, %v, want %q", text, got, err, want)
		}
	}
}

// Whatever people write: no panic, a number within bounds.
func FuzzParseAnswer(f *testing.F) {
	for _, s := range []string{"ok 3", "ОК\x00７", "\U0001F44D9", "o.k.", "0k0k", "\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if n, ok := sms.ParseAnswer(text); n < 0 || n > 999_999 || !ok && n != 0 && strings.TrimSpace(text) == "" {
			t.Errorf("%q: %d, %v", text, n, ok)
		}
	})
}

// Plain never makes a text that cannot be sent, never twice different, and Fit agrees with itself about parts.
func FuzzPlain(f *testing.F) {
	for _, s := range []string{"71 °C", "ça\u0301", "\x1b\xff€[", strings.Repeat("€", 81)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		plain := sms.Plain(text)
		if !utf8.ValidString(plain) || sms.Plain(plain) != plain {
			t.Errorf("%q: %q, then %q", text, plain, sms.Plain(plain))
		}
		n, ucs2, parts := sms.Fit(plain)
		alone, part := 160, 153
		if ucs2 {
			alone, part = 70, 67
		}
		switch {
		case (n == 0) != (parts == 0), n > 0 && n <= alone && parts != 1:
			t.Errorf("%q: %d in %d parts", plain, n, parts)
		case n > alone && (parts*part < n || (parts-1)*(part-1) > n):
			t.Errorf("%q: %d in %d parts", plain, n, parts)
		}
	})
}
