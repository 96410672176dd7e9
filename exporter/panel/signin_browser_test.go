package panel_test

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"roundsman/exporter/certificate"
	"roundsman/exporter/panel"
)

// typed writes into a field as a keyboard does.
func (b *browser) typed(selector, text string) {
	b.t.Helper()
	b.eval(fmt.Sprintf(`document.querySelector(%q).focus()`, selector))
	b.do("Input.insertText", map[string]any{"text": text})
}

// fits checks that nothing is wider than the page and that what is touched is large enough (WCAG 2.2, 2.5.8, asks for
// 24 px; a wet thumb for more).
func (b *browser) fits(width int, where string) {
	b.t.Helper()
	if got := b.eval(`Math.max(document.documentElement.scrollWidth, document.body.scrollWidth)`); got != float64(width) {
		b.t.Errorf("%s: the page is %v wide, the screen %d", where, got, width)
	}
	if got := b.eval(`[...document.querySelectorAll("main button, main input:not([type=hidden], [type=radio])")].filter((e) => e.offsetParent && e.getBoundingClientRect().height < 44).map((e) => e.outerHTML).join()`); got != "" {
		b.t.Errorf("%s: too low to touch: %v", where, got)
	}
}

// TestBrowserSignIn goes the whole way in a real browser over TLS: asked to sign in, refused once, in, back where it
// wanted to go, acknowledged, out; and the page that was left open asks to sign in again.
func TestBrowserSignIn(t *testing.T) {
	for _, width := range []int{360, 1280} {
		t.Run(fmt.Sprint(width), func(t *testing.T) {
			t.Parallel()
			b := openBrowser(t, "--ignore-certificate-errors", "--host-resolver-rules=MAP box.example 127.0.0.1")
			fingerprint := "6F:B4:55:D4:FF:E7:BC:33:15:3D:5A:3E:9D:97:E2:E0:EE:C1:85:4A:EB:16:04:31:74:5E:E4:67:DD:1A:B4:DB"
			code, err := certificate.Code(certificate.Text("https://box.example:9480", fingerprint))
			if err != nil {
				t.Fatal(err)
			}
			d := newDoorway(panel.Options{Hosts: []string{"box.example"}, Overdue: 50 * time.Minute, Certificate: func() panel.Certificate {
				return panel.Certificate{Address: "https://box.example:9480", Fingerprint: fingerprint, SelfMade: true, Until: "21 February 2029", Code: code}
			}})
			d.viewing = panel.BySigned
			server := httptest.NewTLSServer(d)
			defer server.Close()
			url := strings.Replace(server.URL, "127.0.0.1", "box.example", 1)
			b.screen(width, "light")
			b.visit(url + "/alarms")
			if got := b.text("h1"); got != "Sign in" || b.eval(`location.pathname + location.search`) != "/sign-in?back=%2Falarms" {
				t.Fatalf("asked: %q at %v", got, b.eval(`location.href`))
			}
			b.fits(width, "sign-in")
			b.typed("[name=name]", "N.Quill")
			b.typed("[name=password]", "three brushes and a mob")
			b.touch("button.main")
			b.until(`document.querySelector(".refused") !== null`)
			if got := b.text(".refused"); got != "Name or password is wrong." || b.eval(`document.querySelector("[name=password]").value`) != "" {
				t.Errorf("refused: %q", got)
			}
			b.fits(width, "refused")
			b.shoot(fmt.Sprintf("signin-refused-%d", width))
			b.typed("[name=password]", mop)
			b.eval(`document.querySelector("[name=password]").form.requestSubmit()`) // as the enter key does
			b.until(`location.pathname === "/alarms" && document.querySelector("#who") !== null`)
			if got := b.text("#who"); !strings.Contains(got, "Signed in as Niamh Quill") {
				t.Errorf("in: %q", got)
			}
			if got := b.eval(`document.cookie`); got != "" {
				t.Errorf("a script can read %q", got)
			}
			b.fits(width, "alarms")
			b.shoot(fmt.Sprintf("signin-alarms-%d", width))
			b.touch(`[data-alarm="air-low"] button.main`)
			b.until(`document.querySelector('[data-alarm="air-low"] .state')?.innerText.startsWith("acknowledged by Niamh Quill")`)
			if got := strings.Join(d.acts, ", "); got != "air-low acknowledge by Niamh Quill" {
				t.Errorf("acts %q", got)
			}
			b.visit(url + "/certificate")
			b.fits(width, "certificate")
			b.shoot(fmt.Sprintf("signin-certificate-%d", width))
			b.visit(url + "/sign-in")
			b.fits(width, "account")
			b.shoot(fmt.Sprintf("signin-account-%d", width))
			b.screen(width, "dark")
			b.shoot(fmt.Sprintf("signin-account-dark-%d", width))

			b.visit(url + "/alarms") // left open, while the phone is reported lost elsewhere
			b.until(`document.querySelector("#who") !== null`)
			d.door.SignOutEverywhere(strings.TrimPrefix(d.in(t, "n.quill", mop), "Cookie: __Host-roundsman="))
			b.until(`location.pathname === "/sign-in"`)
			if got := b.text("h1"); got != "Sign in" {
				t.Errorf("signed out elsewhere: %q", got)
			}
			b.typed("[name=name]", "office")
			b.typed("[name=password]", "seven dry towels")
			b.touch("button.main")
			b.until(`location.pathname === "/alarms" && document.querySelector("#who") !== null`)
			if got := b.text("#who"); !strings.Contains(got, "to look only") || b.eval(`document.querySelector(".acts")`) != nil {
				t.Errorf("a viewer: %q", got)
			}
			b.touch("#who button")
			b.until(`location.pathname === "/sign-in"`)
			b.visit(url + "/")
			if b.eval(`location.pathname`) != "/sign-in" {
				t.Error("signed out, and sees the sheet")
			}
		})
	}
}
