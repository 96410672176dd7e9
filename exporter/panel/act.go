package panel

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"roundsman/collector/units"
	"roundsman/exporter"
	"roundsman/rules"
)

// mostBody bounds the body of an act, in bytes: a reason and a few short words.
const mostBody = 8 << 10

// longestReason is how many letters a reason may have: it goes into a line of the journal.
const longestReason = 200

// actKinds are the acts by the word in the path.
var actKinds = map[string]rules.ActKind{
	"acknowledge": rules.ActAcknowledge, "reset": rules.ActReset, "shelve": rules.ActShelve, "unshelve": rules.ActUnshelve,
	"out-of-service": rules.ActTakeOut, "in-service": rules.ActPutBack,
}

// actWords are their words, in the order in which they are told.
var actWords = []string{"acknowledge", "reset", "shelve", "unshelve", "out-of-service", "in-service"}

// actRequest is what comes with an act.
type actRequest struct {
	By     string `json:"by"`
	For    string `json:"for"`    // of a shelve: '30m'
	Reason string `json:"reason"` // must come with a shelve and with taking out of service

	key string
}

// apiAct carries out an act that came as JSON and answers with the alarm as it is then.
func (p *Panel) apiAct(w http.ResponseWriter, r *http.Request) error {
	if !sameOrigin(r) {
		return errForeign()
	}
	req, err := readJSON(w, r)
	if err == nil {
		req.key = bearer(r)
		err = p.act(r, req)
	}
	var prob *problem
	if errors.As(err, &prob) && prob.Status == http.StatusUnauthorized {
		w.Header().Set("WWW-Authenticate", `Bearer realm="roundsman"`)
	}
	if err != nil {
		return err
	}
	v, _ := p.now()
	if s, ok := alarmNamed(v, r.PathValue("alarm")); ok {
		return writeJSON(w, p.alarmJSON(v, s))
	}
	return noAlarm(v, r.PathValue("alarm")) // a reload took it away meanwhile
}

// request reads what a program asks for a named person.
func (p *Panel) request(w http.ResponseWriter, r *http.Request) (actRequest, *exporter.Person, error) {
	if !sameOrigin(r) {
		return actRequest{}, nil, errForeign()
	}
	req, err := readJSON(w, r)
	if err != nil {
		return req, nil, err
	}
	person, err := p.actor(r, req.By, bearer(r))
	return req, person, err
}

func errForeign() *problem {
	return problemf(http.StatusForbidden, "a page of another site may not act here")
}

// readJSON reads the body strictly: what is not understood must not be done by half.
func readJSON(w http.ResponseWriter, r *http.Request) (actRequest, error) {
	var req actRequest
	err := decodeJSON(w, r, &req, "by", "for", "reason")
	return req, err
}

// decodeJSON reads the body into an object of those fields.
func decodeJSON(w http.ResponseWriter, r *http.Request, into any, fields ...string) error {
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		return problemf(http.StatusUnsupportedMediaType, "the body must be application/json")
	}
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, mostBody))
	d.DisallowUnknownFields()
	err := d.Decode(into)
	if err == nil {
		if _, more := d.Token(); !errors.Is(more, io.EOF) {
			err = errors.New("something follows the object")
		}
	}
	return bodyProblem(err, fields)
}

// bodyProblem says what is wrong with a body; nil for nothing.
func bodyProblem(err error, fields []string) error {
	if err == nil {
		return nil
	}
	if large, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return problemf(http.StatusRequestEntityTooLarge, "the body has more than %d bytes", large.Limit)
	}
	if wrong, ok := errors.AsType[*json.UnmarshalTypeError](err); ok {
		if wrong.Field == "" {
			return problemf(http.StatusBadRequest, "the body: found %s, expected an object", wrong.Value)
		}
		return problemf(http.StatusBadRequest, "%s: found %s, expected a text", wrong.Field, wrong.Value).about(wrong.Field)
	}
	if name, ok := strings.CutPrefix(err.Error(), "json: unknown field "); ok {
		name = strings.Trim(name, `"`)
		return problemf(http.StatusBadRequest, "there is no field %s", quoteNear(name, fields)).about(clip(name))
	}
	if errors.Is(err, io.EOF) {
		return problemf(http.StatusBadRequest, "the body is empty")
	}
	return problemf(http.StatusBadRequest, "the body is no JSON object: %s", strings.TrimPrefix(err.Error(), "json: "))
}

// act checks a request and carries it out.
func (p *Panel) act(r *http.Request, req actRequest) error {
	kind, ok := actKinds[r.PathValue("act")]
	if !ok {
		return problemf(http.StatusNotFound, "there is no act %s; there are %s", quoteNear(r.PathValue("act"), actWords), strings.Join(actWords, ", "))
	}
	person, err := p.actor(r, req.By, req.key)
	if err != nil {
		return err
	}
	v, _ := p.now()
	alarm := r.PathValue("alarm")
	if _, ok := alarmNamed(v, alarm); !ok {
		return noAlarm(v, alarm)
	}
	act, err := req.act(kind, person)
	if err != nil {
		return err
	}
	return actProblem(p.opts.Acts.Act(r.Context(), alarm, act))
}

// act returns the act that is asked for, or the problem with the field that is missing or wrong.
func (req *actRequest) act(kind rules.ActKind, person *exporter.Person) (rules.Act, error) {
	act := rules.Act{Kind: kind, Who: shown(person), Why: strings.TrimSpace(req.Reason)}
	switch {
	case act.Why == "" && kind == rules.ActShelve, act.Why == "" && kind == rules.ActTakeOut:
		return act, problemf(http.StatusUnprocessableEntity, "reason is missing: why?").about("reason")
	case utf8.RuneCountInString(act.Why) > longestReason:
		return act, problemf(http.StatusUnprocessableEntity, "reason has more than %d letters", longestReason).about("reason")
	case strings.ContainsFunc(act.Why, func(c rune) bool { return !unicode.IsPrint(c) }):
		return act, problemf(http.StatusUnprocessableEntity, "reason holds a character that cannot be shown on one line").about("reason")
	}
	var err error
	act.For, err = req.length(kind)
	return act, err
}

// length returns how long a shelve lasts; it always has an end.
func (req *actRequest) length(kind rules.ActKind) (time.Duration, error) {
	wrong := func(format string, args ...any) (time.Duration, error) {
		return 0, problemf(http.StatusUnprocessableEntity, format, args...).about("for")
	}
	switch {
	case kind != rules.ActShelve && req.For == "":
		return 0, nil
	case kind != rules.ActShelve:
		return wrong("for: only a shelve has an end")
	case req.For == "":
		return wrong("for is missing: a shelve has an end, such as 30m")
	}
	d, err := units.ParseDuration(req.For)
	switch {
	case err != nil:
		return wrong("for: %s", clip(err.Error()))
	case d <= 0:
		return wrong("for: %s is no time to shelve for", clip(req.For))
	}
	return d, nil
}

// actProblem turns what the judging says into what the client may read.
func actProblem(err error) error {
	switch {
	case errors.Is(err, rules.ErrNoAlarm):
		return problemf(http.StatusNotFound, "%v", err)
	case errors.Is(err, rules.ErrIncomplete):
		return problemf(http.StatusUnprocessableEntity, "%v", err)
	case errors.Is(err, rules.ErrNotNow):
		return problemf(http.StatusConflict, "%v", err)
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return problemf(http.StatusServiceUnavailable, "the box is busy or stopping; look whether it was done")
	}
	return err
}

// alarmNamed returns the status of the alarm of that name.
func alarmNamed(v *exporter.View, name string) (rules.Status, bool) {
	for _, s := range v.Alarms {
		if known(v, s) && v.Site.Rules[s.Rule].Name == name {
			return s, true
		}
	}
	return rules.Status{}, false
}

func noAlarm(v *exporter.View, name string) *problem {
	names := make([]string, len(v.Site.Rules))
	for i := range names {
		names[i] = v.Site.Rules[i].Name
	}
	return problemf(http.StatusNotFound, "there is no alarm %s", quoteNear(name, names))
}

// formFields are what our forms send.
var formFields = []string{"by", "key", "for", "reason", "words", "back", "meter", "was", "last", "first"}

// form answers a form: whoever looks at the answer is a person with a browser, so problems are told on a page.
func (p *Panel) form(h func(w http.ResponseWriter, r *http.Request, f url.Values) error) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		f, err := readForm(w, r, formFields...)
		if err == nil {
			err = h(w, r, f)
		}
		if err != nil {
			return p.refused(w, f, p.problemOf(r, err))
		}
		http.Redirect(w, r, backOf(f), http.StatusSeeOther)
		return nil
	}
}

func readForm(w http.ResponseWriter, r *http.Request, fields ...string) (url.Values, error) {
	if !sameOrigin(r) {
		return nil, errForeign()
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/x-www-form-urlencoded" {
		return nil, problemf(http.StatusUnsupportedMediaType, "the body must be a form, application/x-www-form-urlencoded")
	}
	r.Body = http.MaxBytesReader(w, r.Body, mostBody)
	if err := r.ParseForm(); err != nil {
		if large, ok := errors.AsType[*http.MaxBytesError](err); ok {
			return nil, problemf(http.StatusRequestEntityTooLarge, "the form has more than %d bytes", large.Limit)
		}
		return nil, problemf(http.StatusBadRequest, "the form cannot be read")
	}
	for name := range r.PostForm {
		if !slices.Contains(fields, name) {
			return nil, problemf(http.StatusBadRequest, "there is no field %s", quoteNear(name, fields)).about(clip(name))
		}
	}
	return r.PostForm, nil
}

// formAct carries out an act that came from a form. Words of one's own go before a ready reason.
func (p *Panel) formAct(w http.ResponseWriter, r *http.Request, f url.Values) error {
	req := actRequest{By: f.Get("by"), For: f.Get("for"), Reason: f.Get("words"), key: strings.TrimSpace(f.Get("key"))}
	if strings.TrimSpace(req.Reason) == "" {
		req.Reason = f.Get("reason")
	}
	if err := p.mustSignIn(r, req.key); err != nil {
		return err
	}
	if err := p.act(r, req); err != nil {
		return err
	}
	remember(w, r, req.By)
	return nil
}

// formWho remembers who uses this browser.
func (p *Panel) formWho(w http.ResponseWriter, r *http.Request, f url.Values) error {
	person, err := p.person(f.Get("by"))
	if err != nil {
		return err
	}
	remember(w, r, person.ID)
	return nil
}

// backOf returns the page that a form was on: one of ours only.
func backOf(f url.Values) string {
	back := f.Get("back")
	if point, ok := strings.CutPrefix(back, "/points/"); ok && point != "" && !strings.ContainsAny(point, "/\\?#") {
		return "/points/" + url.PathEscape(point)
	}
	if back == phonesPath || back == pumpsPath {
		return back
	}
	return "/alarms"
}

// refusal is the page of what was not done.
type refusal struct {
	head
	Detail, Back string
}

func (p *Panel) refused(w http.ResponseWriter, f url.Values, prob *problem) error {
	v, now := p.now()
	page := refusal{head: p.head(v, now, "refused", "Not done"), Detail: capital(prob.Detail), Back: backOf(f)}
	page.Refresh = 0 // it would ask the browser to send the form again
	return showAs(w, prob.Status, "refused.html", page)
}
