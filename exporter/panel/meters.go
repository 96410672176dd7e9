package panel

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"roundsman/collector/duty"
	"roundsman/exporter"
)

// What people say of a meter that jumped: the pumps page asks, and a command or a program may tell.

// causes are what can have been done to a meter, by the word that says so.
func causes() []duty.JumpKind {
	return []duty.JumpKind{duty.Replaced, duty.Reset, duty.RolledOver, duty.Misread}
}

func causeWord(k duty.JumpKind) string { return strings.ReplaceAll(k.String(), " ", "-") }

// causeSaid says it in a sentence.
func causeSaid(k duty.JumpKind) string {
	return map[duty.JumpKind]string{duty.Replaced: "It was replaced by another", duty.Reset: "It was set back to 0",
		duty.RolledOver: "It came to its end and began anew", duty.Misread: "It was read wrongly and never jumped"}[k]
}

// explainRequest is what comes with an explanation.
type explainRequest struct {
	By     string `json:"by"`
	Meter  string `json:"meter"`  // 'hours' or 'starts'
	Was    string `json:"was"`    // 'replaced', 'reset', 'rolled-over', 'misread'
	Last   string `json:"last"`   // what it showed last before, in its unit; "": not known
	First  string `json:"first"`  // what it began with after
	Reason string `json:"reason"` // for the journal

	key string
}

// explainedJSON is what followed from an explanation.
type explainedJSON struct {
	Equipment  string  `json:"equipment"`
	Meter      string  `json:"meter"`
	From       float64 `json:"from"`
	To         float64 `json:"to"`
	Was        string  `json:"was"`
	RunSeconds float64 `json:"runSecondsAdded"`
	Starts     uint64  `json:"startsAdded"`
}

// apiExplained takes an explanation that came as JSON.
func (p *Panel) apiExplained(w http.ResponseWriter, r *http.Request) error {
	if !sameOrigin(r) {
		return errForeign()
	}
	var req explainRequest
	if err := decodeJSON(w, r, &req, "by", "meter", "was", "last", "first", "reason"); err != nil {
		return err
	}
	req.key = bearer(r)
	done, err := p.explain(r, &req)
	if err != nil {
		return err
	}
	return writeJSON(w, explainedJSON{r.PathValue("equipment"), req.Meter, done.From, done.To, causeWord(done.Was), tidy(done.Run.Seconds()), done.Starts})
}

// formExplained takes one that came from the pumps page.
func (p *Panel) formExplained(w http.ResponseWriter, r *http.Request, f url.Values) error {
	req := explainRequest{By: f.Get("by"), Meter: f.Get("meter"), Was: f.Get("was"), Last: f.Get("last"), First: f.Get("first"), Reason: f.Get("words"), key: strings.TrimSpace(f.Get("key"))}
	if err := p.mustSignIn(r, req.key); err != nil {
		return err
	}
	if _, err := p.explain(r, &req); err != nil {
		return err
	}
	remember(w, r, req.By)
	return nil
}

// explain checks an explanation and hands it on.
func (p *Panel) explain(r *http.Request, req *explainRequest) (duty.Explained, error) {
	if p.opts.Meters == nil {
		return duty.Explained{}, problemf(http.StatusServiceUnavailable, "nothing is recorded here")
	}
	person, err := p.actor(r, req.By, req.key)
	if err != nil {
		return duty.Explained{}, err
	}
	said, err := req.explanation()
	if err != nil {
		return duty.Explained{}, err
	}
	req.Reason = strings.TrimSpace(req.Reason)
	switch {
	case utf8.RuneCountInString(req.Reason) > longestReason:
		return duty.Explained{}, problemf(http.StatusUnprocessableEntity, "reason has more than %d letters", longestReason).about("reason")
	case strings.ContainsFunc(req.Reason, func(x rune) bool { return !unicode.IsPrint(x) }):
		return duty.Explained{}, problemf(http.StatusUnprocessableEntity, "reason holds a character that cannot be shown on one line").about("reason")
	}
	done, err := p.opts.Meters.Explained(r.Context(), r.PathValue("equipment"), req.Meter == "hours", said, shown(person), req.Reason)
	return done, meterProblem(err)
}

func meterProblem(err error) error {
	if err == nil {
		return nil
	}
	words := clip(strings.ToValidUTF8(err.Error(), "?"))
	switch {
	case errors.Is(err, exporter.ErrNoEquipment):
		return problemf(http.StatusNotFound, "%s", words)
	case errors.Is(err, duty.ErrNotAsked):
		return problemf(http.StatusConflict, "%s", words)
	case errors.Is(err, duty.ErrUnlikely):
		return problemf(http.StatusUnprocessableEntity, "%s", err).about("last")
	}
	return problemf(http.StatusServiceUnavailable, "%v", err)
}

// explanation reads what was said.
func (req *explainRequest) explanation() (e duty.Explanation, err error) {
	if req.Meter != "hours" && req.Meter != "starts" {
		return e, problemf(http.StatusUnprocessableEntity, "meter is %q; there are hours, starts", clip(req.Meter)).about("meter")
	}
	var words []string
	for _, k := range causes() {
		if words = append(words, causeWord(k)); causeWord(k) == req.Was {
			e.Was, words = k, nil
			break
		}
	}
	if words != nil {
		return e, problemf(http.StatusUnprocessableEntity, "was: what was done to it? %s", strings.Join(words, ", ")).about("was")
	}
	if e.Last, err = meterValue("last", req.Last); err != nil {
		return e, err
	}
	e.First, err = meterValue("first", req.First)
	return e, err
}

// meterValue reads what a register showed; NaN for nothing.
func meterValue(field, text string) (float64, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return math.NaN(), nil
	}
	v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil || !(v >= 0) || v > 1e12 {
		return 0, problemf(http.StatusUnprocessableEntity, "%s: %q is nothing that a meter shows", field, clip(text)).about(field)
	}
	return v, nil
}

// question is a jump that the pumps page asks about.
type question struct {
	visitor
	Equipment, Machine, Meter, What string // 'hours', 'Hour meter'
	From, To, When                  string
	Causes                          []cause
	Waits                           bool // an older one of the same meter comes first
}

// cause is what may have been done to a meter; that which it looks like is chosen.
type cause struct {
	Word, Words string
	Looks       bool
}

// questions returns what is asked about the meters of the room.
func (p *Panel) questions(v *exporter.View, vis visitor) (list []question) {
	if p.opts.Meters == nil {
		return nil
	}
	at := p.wallTime(v.At).In(siteZone(v))
	for i := range v.Equipment {
		e := &v.Equipment[i]
		seen := map[bool]bool{}
		for _, a := range e.Asked {
			q := question{visitor: vis, Equipment: e.Name, Machine: inWords(e.Name), Meter: "starts", What: "counter of starts",
				From: fmt.Sprintf("%.10g", a.From), To: fmt.Sprintf("%.10g", a.To), When: timeWords(a.Time, at), Waits: seen[a.Hours]}
			if a.Hours {
				q.Meter, q.What = "hours", "hour meter"
			}
			seen[a.Hours] = true
			for _, k := range causes() {
				q.Causes = append(q.Causes, cause{causeWord(k), causeSaid(k), k == a.Looks})
			}
			list = append(list, q)
		}
	}
	return list
}
