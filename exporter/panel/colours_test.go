package panel_test

import (
	"fmt"
	"math"
	"os"
	"regexp"
	"strings"
	"testing"
)

var colour = regexp.MustCompile(`--([a-z]+): #([0-9a-f]{6});`)

// contrast is the ratio of WCAG 2.2, 'contrast ratio' and 'relative luminance'.
func contrast(a, b [3]float64) float64 {
	la, lb := luminance(a), luminance(b)
	return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)
}

func luminance(c [3]float64) float64 {
	sum := 0.0
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		v := c[i]
		if v <= 0.04045 {
			v /= 12.92
		} else {
			v = math.Pow((v+0.055)/1.055, 2.4)
		}
		sum += weight * v
	}
	return sum
}

// TestContrast holds every colour of text against both grounds, light and dark: at least 4.5 to 1 (WCAG 2.2, success criterion 1.4.3).
func TestContrast(t *testing.T) {
	if got := contrast([3]float64{0, 0, 0}, [3]float64{1, 1, 1}); got != 21 {
		t.Fatalf("black on white has %v, WCAG says 21", got)
	}
	css, err := os.ReadFile("assets/sheet.css")
	if err != nil {
		t.Fatal(err)
	}
	light, rest, _ := strings.Cut(string(css), "prefers-color-scheme: dark")
	dark, _, _ := strings.Cut(rest, "* {")
	for scheme, text := range map[string]string{"light": light, "dark": dark} {
		colours := map[string][3]float64{}
		for _, m := range colour.FindAllStringSubmatch(text, -1) {
			var r, g, b int
			if _, err := fmt.Sscanf(m[2], "%02x%02x%02x", &r, &g, &b); err != nil {
				t.Fatal(err)
			}
			colours[m[1]] = [3]float64{float64(r) / 255, float64(g) / 255, float64(b) / 255}
		}
		if len(colours) < 12 {
			t.Fatalf("%s: %d colours", scheme, len(colours))
		}
		for _, words := range []string{"ink", "soft", "faint", "high", "medium", "low", "note", "lost"} {
			for _, ground := range []string{"paper", "sheet"} {
				if got := contrast(colours[words], colours[ground]); got < 4.5 {
					t.Errorf("%s: %s on %s has %.2f to 1", scheme, words, ground, got)
				}
			}
		}
	}
}
