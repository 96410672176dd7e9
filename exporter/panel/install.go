package panel

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"net/http"
	"strconv"
	"strings"
	"sync"
)

// What a phone needs to put the panel on its home screen (W3C Web Application Manifest).
type manifestJSON struct {
	ID         string     `json:"id"`
	Name       string     `json:"name"`
	ShortName  string     `json:"short_name"`
	StartURL   string     `json:"start_url"`
	Scope      string     `json:"scope"`
	Display    string     `json:"display"`
	Background string     `json:"background_color"`
	Theme      string     `json:"theme_color"`
	Icons      []iconJSON `json:"icons"`
}

type iconJSON struct {
	Src     string `json:"src"`
	Sizes   string `json:"sizes"`
	Type    string `json:"type"`
	Purpose string `json:"purpose"`
}

// The colours of the style sheet's paper and ink.
var (
	paper = color.NRGBA{0xf7, 0xf5, 0xef, 0xff}
	ink   = color.NRGBA{0x1f, 0x24, 0x28, 0xff}
)

// iconSizes, in pixels: 180 is what iPhones take, 192 and 512 what other browsers ask for.
var iconSizes = []int{180, 192, 512}

func (p *Panel) manifest(w http.ResponseWriter, _ *http.Request) error {
	v, _ := p.now()
	m := manifestJSON{ID: "/", Name: v.Site.Name, ShortName: shortName(v.Site.Name), StartURL: "/", Scope: "/", Display: "standalone",
		Background: "#f7f5ef", Theme: "#f7f5ef"}
	for _, size := range iconSizes[1:] {
		s := strconv.Itoa(size)
		for _, purpose := range []string{"any", "maskable"} {
			m.Icons = append(m.Icons, iconJSON{"/assets/icon-" + s + ".png", s + "x" + s, "image/png", purpose})
		}
	}
	body, err := json.Marshal(m)
	if err != nil {
		return fmt.Errorf("json: %w", err)
	}
	w.Header().Set("Content-Type", "application/manifest+json")
	w.Header().Set("Cache-Control", "no-cache")
	_, _ = w.Write(body)
	return nil
}

// shortName is what stands under the icon: the first words that fit.
func shortName(name string) string {
	const most = 12 // letters that home screens show
	short := ""
	for word := range strings.FieldsSeq(name) {
		longer := strings.TrimSpace(short + " " + word)
		if short != "" && len([]rune(longer)) > most {
			break
		}
		short = longer
	}
	if short == "" {
		return "Roundsman"
	}
	return short
}

// worker serves the script that works for a phone while no page is open. It must come from the root: a worker looks
// after pages below its own path only (W3C Service Workers, 'Service-Worker-Allowed').
func (p *Panel) worker(w http.ResponseWriter, r *http.Request) error {
	body, err := assets.ReadFile("assets/worker.js")
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/javascript; charset=utf-8")
	w.Header().Set("Cache-Control", "no-cache") // it changes with the program
	_, _ = w.Write(body)
	return nil
}

// icon returns the handler of the icon of a size, which is drawn when it is first asked for.
func icon(size int) handler {
	draw := sync.OnceValues(func() ([]byte, error) {
		var b bytes.Buffer
		err := png.Encode(&b, drawIcon(size))
		return b.Bytes(), err
	})
	return func(w http.ResponseWriter, _ *http.Request) error {
		body, err := draw()
		if err != nil {
			return err
		}
		w.Header().Set("Content-Type", "image/png")
		w.Header().Set("Cache-Control", "max-age=86400")
		_, _ = w.Write(body)
		return nil
	}
}

// drawIcon draws three lines of a round sheet, each with its needle, in paper on ink. All of it lies within the circle
// of four fifths that every mask leaves (W3C Web Application Manifest, 'Icon masks and safe zone').
func drawIcon(size int) image.Image {
	const fine = 3 // samples a pixel each way
	img := image.NewNRGBA(image.Rect(0, 0, size, size))
	for y := range size {
		for x := range size {
			n := 0
			for i := range fine * fine {
				sx, sy := float64(x*fine+i%fine)+0.5, float64(y*fine+i/fine)+0.5
				if inked(sx/float64(size*fine), sy/float64(size*fine)) {
					n++
				}
			}
			img.SetNRGBA(x, y, mix(ink, paper, n, fine*fine))
		}
	}
	return img
}

// mix returns n parts of b in all parts.
func mix(a, b color.NRGBA, n, all int) color.NRGBA {
	part := func(a, b uint8) uint8 { return uint8((int(a)*(all-n) + int(b)*n) / all) }
	return color.NRGBA{part(a.R, b.R), part(a.G, b.G), part(a.B, b.B), 0xff}
}

// inked reports whether the drawing covers a place; the whole is 1 by 1.
func inked(x, y float64) bool {
	for i, needle := range []float64{0.40, 0.62, 0.47} {
		line := 0.33 + 0.17*float64(i) + 0.02
		if x >= 0.22 && x <= 0.78 && y >= line-0.012 && y <= line+0.012 {
			return true
		}
		// the needle: a triangle that stands on its point, and a stem through the line
		dx, dy := x-needle, y-(line-0.075)
		if dx < 0 {
			dx = -dx
		}
		if dy >= 0 && dy <= 0.075 && dx <= 0.042*(1-dy/0.075)+0.008 || dy > 0.075 && dy <= 0.115 && dx <= 0.010 {
			return true
		}
	}
	return false
}
