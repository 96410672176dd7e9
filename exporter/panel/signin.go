package panel

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"roundsman/exporter"
	"roundsman/exporter/signin"
)

// Viewing says who may look.
type Viewing uint8

// Who may look at pages, the interface and the metrics. Whoever may not is asked to sign in; a program shows the key of
// somebody in the contacts file.
const (
	ByAnyone Viewing = iota
	ByPeople         // those who signed in, and anybody on the box itself
	BySigned         // those who signed in, from wherever they ask
)

// The session's cookie. The prefix makes browsers refuse one that another host or an unencrypted page set
// (RFC 6265bis, section 4.1.3.2); it works over TLS only.
const (
	secureCookie = "__Host-roundsman"
	plainCookie  = "roundsman-session"
)

func cookieName(r *http.Request) string {
	if r.TLS != nil {
		return secureCookie
	}
	return plainCookie
}

// sessionCookie is Lax, not Strict: somebody who follows the link of a message about an alarm must arrive signed in. A
// form of another site is sent without it, and refused besides (sameOrigin).
func sessionCookie(r *http.Request, token string) *http.Cookie {
	c := &http.Cookie{Name: cookieName(r), Value: token, Path: "/", MaxAge: int(signin.LongestSession.Seconds()),
		HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteLaxMode}
	if token == "" {
		c.MaxAge = -1
	}
	return c
}

func token(r *http.Request) string {
	c, err := r.Cookie(cookieName(r))
	if err != nil {
		return ""
	}
	return c.Value
}

// who is the person whose session the request belongs to.
func (p *Panel) who(r *http.Request) (signin.Who, bool) {
	if p.opts.Door == nil {
		return signin.Who{}, false
	}
	return p.opts.Door.Who(token(r))
}

// accounts reports whether people sign in here.
func (p *Panel) accounts() bool { return p.opts.Door != nil && p.opts.Door.Any() }

// open are the paths that need no sign-in: it itself, what it is drawn with, whether the daemon lives, and links of
// messages, which are keys of their own.
var open = []string{"/sign-in", "/sign-out", "/health", "/assets/", exporter.LinkPath, "/manifest.webmanifest", "/worker.js"}

func isOpen(path string) bool {
	for _, o := range open {
		if path == o || strings.HasSuffix(o, "/") && strings.HasPrefix(path, o) {
			return true
		}
	}
	return false
}

// mayView reports whether whoever asks may see the room.
func (p *Panel) mayView(r *http.Request) bool {
	switch p.opts.Viewing() {
	case ByAnyone:
		return true
	case ByPeople:
		if local(r) {
			return true
		}
	}
	_, in := p.who(r)
	return in || p.anyKey(bearer(r))
}

// anyKey reports whether somebody has the key. All are compared, whichever fits.
func (p *Panel) anyKey(key string) bool {
	found := false
	for _, person := range p.people() {
		if person.Key != "" && sameKey(person.Key, key) {
			found = true
		}
	}
	return found && key != ""
}

// Private lets only those through who may look; for what is served beside the panel, such as the metrics.
func (p *Panel) Private(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !p.mayView(r) {
			askToSignIn(w, r)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// private lets through who may look, and what needs no sign-in. Whoever may do something is told by each act itself.
func (p *Panel) private(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodPost && !isOpen(r.URL.Path) && !p.mayView(r) {
			askToSignIn(w, r)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// askToSignIn sends a person to the page for it, and tells a program.
func askToSignIn(w http.ResponseWriter, r *http.Request) {
	page := r.Method == http.MethodGet && !strings.HasPrefix(r.URL.Path, "/api/") && r.URL.Path != "/metrics"
	w.Header().Set("Cache-Control", "no-store")
	if page {
		http.Redirect(w, r, "/sign-in?back="+url.QueryEscape(r.URL.Path), http.StatusSeeOther)
		return
	}
	w.Header().Set("WWW-Authenticate", `Bearer realm="roundsman"`)
	writeProblem(w, problemf(http.StatusUnauthorized, "sign in, or show the key of somebody in the contacts file"))
}

// within ends a handler that lasts when the session ends that it began in.
func (p *Panel) within(h handler) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		// the server's limits are for one request and one answer; what lasts has deadlines of its own
		if err := http.NewResponseController(w).SetReadDeadline(time.Time{}); err != nil && !errors.Is(err, http.ErrNotSupported) {
			return err
		}
		if p.opts.Door != nil {
			ctx, cancel, ok := p.opts.Door.Within(r.Context(), token(r))
			defer cancel()
			if ok {
				r = r.WithContext(ctx)
			}
		}
		return h(w, r)
	}
}

// operator returns the person of a session, if they may act; id, if not "", is who the request says it is.
func operator(who signin.Who, id string) (*exporter.Person, error) {
	switch {
	case id != "" && id != who.Name:
		return nil, problemf(http.StatusForbidden, "%s is signed in here, not %s", who.Name, clip(id)).about("by")
	case who.Role != signin.Operator:
		return nil, problemf(http.StatusForbidden, "%s is a viewer: viewers look, operators act", who.Name).about("by")
	}
	return &exporter.Person{ID: who.Name, Name: who.Shown}, nil
}

// mustSignIn refuses a form of somebody who did not, where people sign in.
func (p *Panel) mustSignIn(r *http.Request, key string) error {
	if _, in := p.who(r); in || key != "" || !p.accounts() {
		return nil
	}
	return problemf(http.StatusUnauthorized, "you are not signed in, or no longer: sign in first")
}

// signedVisitor is who looks at a page where people sign in.
func (p *Panel) signedVisitor(r *http.Request, v visitor) visitor {
	who, in := p.who(r)
	switch {
	case !in:
		v.SignIn = "/sign-in?back=" + url.QueryEscape(r.URL.Path)
	case who.Role == signin.Operator:
		v.SignedIn, v.By, v.Name = who.Shown, who.Name, who.Shown
	default:
		v.SignedIn, v.Looks = who.Shown, true
	}
	return v
}

// signInPage is the page for signing in and out. It tells nothing of the room.
type signInPage struct {
	Site        string
	Demo        bool
	Refused     string // why somebody was not let in
	Name, Back  string
	Who, Role   string // of whom is signed in; "": nobody
	Plain       bool   // the connection is not encrypted
	Nobody      bool   // nobody has an account
	Certificate bool   // there is a page about it
}

func (p *Panel) signInPage(r *http.Request, back string) signInPage {
	v, _ := p.now()
	page := signInPage{Site: v.Site.Name, Demo: v.Site.Demo, Back: safeBack(back), Nobody: !p.accounts(),
		Plain: r.TLS == nil && !local(r), Certificate: p.opts.Certificate != nil}
	if who, in := p.who(r); in {
		page.Who, page.Role = who.Shown, who.Role.String()
	}
	return page
}

func (p *Panel) signInRoutes(mux *http.ServeMux) {
	form, act := p.wrap(p.signInForm, http.MethodGet, http.MethodHead, http.MethodPost), p.wrap(p.signIn, http.MethodPost)
	mux.HandleFunc("/sign-in", func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodPost {
			act.ServeHTTP(w, r)
			return
		}
		form.ServeHTTP(w, r)
	})
	mux.Handle("/sign-out", p.wrap(p.signOut, http.MethodPost))
}

func (p *Panel) signInForm(w http.ResponseWriter, r *http.Request) error {
	return show(w, "signin.html", p.signInPage(r, r.URL.Query().Get("back")))
}

// signIn lets a person in.
func (p *Panel) signIn(w http.ResponseWriter, r *http.Request) error {
	f, err := readForm(w, r, "name", "password", "back")
	if err == nil && p.opts.Door == nil {
		err = problemf(http.StatusServiceUnavailable, "nobody can sign in here")
	}
	var fresh string
	if err == nil {
		name := strings.ToLower(strings.TrimSpace(f.Get("name"))) // a phone's keyboard likes capitals and blanks
		fresh, _, err = p.opts.Door.SignIn(r.Context(), name, f.Get("password"), r.RemoteAddr)
	}
	if err != nil {
		return p.notIn(w, r, f, err)
	}
	p.opts.Door.SignOut(token(r)) // the browser has one session at a time
	http.SetCookie(w, sessionCookie(r, fresh))
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, safeBack(f.Get("back")), http.StatusSeeOther)
	return nil
}

// notIn says on the page why somebody was not let in. The password is not sent back.
func (p *Panel) notIn(w http.ResponseWriter, r *http.Request, f url.Values, err error) error {
	prob := p.refusalOf(w, r, err)
	page := p.signInPage(r, f.Get("back"))
	page.Refused, page.Name = capital(prob.Detail), clip(f.Get("name"))
	return showAs(w, prob.Status, "signin.html", page)
}

func (p *Panel) refusalOf(w http.ResponseWriter, r *http.Request, err error) *problem {
	if wait, ok := errors.AsType[*signin.WaitError](err); ok {
		w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(wait.For.Seconds()))))
		return problemf(http.StatusTooManyRequests, "%s", wait)
	}
	switch {
	case errors.Is(err, signin.ErrWrong):
		return problemf(http.StatusForbidden, "%s", err) // not 401: that would ask the browser for its own way to sign in
	case errors.Is(err, signin.ErrBusy):
		w.Header().Set("Retry-After", "5")
		return problemf(http.StatusServiceUnavailable, "%s", err)
	}
	return p.problemOf(r, err)
}

// signOut ends the browser's session, or all of the person's.
func (p *Panel) signOut(w http.ResponseWriter, r *http.Request) error {
	f, err := readForm(w, r, "everywhere", "back")
	if err != nil {
		return p.refused(w, f, p.problemOf(r, err))
	}
	if p.opts.Door != nil && f.Get("everywhere") != "" {
		p.opts.Door.SignOutEverywhere(token(r))
	} else if p.opts.Door != nil {
		p.opts.Door.SignOut(token(r))
	}
	http.SetCookie(w, sessionCookie(r, ""))
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
	return nil
}

// safeBack is a path of this panel to go to; "/" for what is none: a link to the sign-in must not lead elsewhere.
func safeBack(back string) string {
	u, err := url.Parse(back)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || !strings.HasPrefix(u.Path, "/") ||
		strings.HasPrefix(u.Path, "//") || strings.ContainsFunc(u.Path, func(c rune) bool { return c == '\\' || c < ' ' }) || isOpen(u.Path) {
		return "/"
	}
	return u.EscapedPath()
}

// certificatePage shows what a phone should see before it trusts a certificate that nobody vouches for.
type certificatePage struct {
	head
	Certificate
	Print   []string // the fingerprint in pieces that are not broken
	Drawing string   // path of an SVG
	Outer   int      // size of the drawing with its quiet zone, four modules wide (ISO/IEC 18004, from memory)
}

// Certificate is what there is to know about the one that the panel is served with.
type Certificate struct {
	Address     string // to open on a phone
	Fingerprint string // SHA-256 of the certificate, in pairs of hexadecimal digits
	SelfMade    bool
	Until       string // day after which it is not good any more
	Code        [][]bool
}

func (p *Panel) certificate(w http.ResponseWriter, r *http.Request) error {
	if p.opts.Certificate == nil {
		return notFound(w, r)
	}
	v, now := p.now()
	c := p.opts.Certificate()
	page := certificatePage{head: p.head(v, now, "certificate", "Certificate"), Certificate: c, Print: pieces(c.Fingerprint), Drawing: drawing(c.Code), Outer: len(c.Code) + 8}
	page.Refresh = 0
	return show(w, "certificate.html", page)
}

// pieces cuts a fingerprint into pieces of eight pairs, as it is compared best.
func pieces(print string) (out []string) {
	const piece = 8 * len("6F:")
	for len(print) > piece {
		out, print = append(out, print[:piece]), print[piece:]
	}
	return append(out, print)
}

// drawing returns the dark modules of a code as one path, a run of them at a time.
func drawing(code [][]bool) string {
	var b strings.Builder
	for y, line := range code {
		for x := 0; x < len(line); x++ {
			start := x
			for x < len(line) && line[x] {
				x++
			}
			if x > start {
				fmt.Fprintf(&b, "M%d %dh%dv1h-%dz", start, y, x-start, x-start)
			}
		}
	}
	return b.String()
}
