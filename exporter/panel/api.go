package panel

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/rules"
)

// pointJSON is one point as the interface tells it.
type pointJSON struct {
	Point   string  `json:"point"`
	Station string  `json:"station"`
	Value   any     `json:"value"` // a number, the words of a text point, or null when there is no usable reading
	Unit    string  `json:"unit"`
	Quality string  `json:"quality"`
	Reason  string  `json:"reason"`
	Time    *string `json:"time"` // null before the first reading
}

// alarmJSON is one alarm as the interface tells it.
type alarmJSON struct {
	Alarm          string   `json:"alarm"`
	Point          string   `json:"point"`
	State          string   `json:"state"`
	Priority       string   `json:"priority"`
	Since          *string  `json:"since"`
	Value          *float64 `json:"value"`
	Limit          *float64 `json:"limit"`
	Unit           string   `json:"unit"`
	Message        string   `json:"message"`
	Response       string   `json:"response"`
	AcknowledgedBy string   `json:"acknowledgedBy"`
	// By, Until and Reason are of a shelve, of suppression by design and of what is out of service.
	By     string  `json:"by,omitempty"`
	Until  *string `json:"until,omitempty"`
	Reason string  `json:"reason,omitempty"`
}

func (p *Panel) apiPoints(w http.ResponseWriter, r *http.Request) error {
	v, _ := p.now()
	list := make([]pointJSON, len(v.Site.Points))
	for i := range list {
		list[i] = p.pointJSON(v, i)
	}
	return writeJSON(w, list)
}

func (p *Panel) apiAlarms(w http.ResponseWriter, r *http.Request) error {
	want, err := wantedStates(r.URL.Query()["state"])
	if err != nil {
		return err
	}
	v, _ := p.now()
	list := []alarmJSON{}
	for i := range v.Alarms {
		if want(v.Alarms[i]) && known(v, v.Alarms[i]) {
			list = append(list, p.alarmJSON(v, v.Alarms[i]))
		}
	}
	return writeJSON(w, list)
}

// states is the number of alarm states.
const states = int(rules.OutOfService) + 1

// wantedStates compiles the 'state' parameters: words of states ('latched' is
// both latched ones), 'active' for a true condition, or 'all'. None means all
// that are not normal.
func wantedStates(params []string) (func(rules.Status) bool, error) {
	var words []string
	for _, p := range params {
		words = append(words, strings.Split(p, ",")...)
	}
	if len(words) == 0 {
		return func(s rules.Status) bool { return s.State != rules.Normal }, nil
	}
	var set [states]bool
	active, all := false, false
	for _, word := range words {
		word = strings.NewReplacer("-", " ", "_", " ").Replace(strings.ToLower(strings.TrimSpace(word)))
		switch {
		case word == "active":
			active = true
		case word == "all":
			all = true
		case !markState(&set, word):
			return nil, problemf(http.StatusBadRequest, "state: no such state as %q; there are all, active, %s", word, stateList())
		}
	}
	return func(s rules.Status) bool {
		return all || active && s.Active || int(s.State) < states && set[s.State]
	}, nil
}

// markState marks the states that a word means and reports whether there is one.
func markState(set *[states]bool, word string) (found bool) {
	for i := range set {
		if name := rules.State(i).String(); name == word || word == "latched" && strings.HasPrefix(name, word) {
			set[i], found = true, true
		}
	}
	return found
}

func stateList() string {
	var list []string
	for i := range states {
		list = append(list, rules.State(i).String())
	}
	return strings.Join(list, ", ")
}

// reading returns point i's reading; one that has none is unread.
func reading(v *exporter.View, i int) collector.Reading {
	if i < 0 || i >= len(v.Readings) {
		return collector.Reading{Point: collector.PointID(i), Fault: collector.NotRead}
	}
	return v.Readings[i]
}

// known reports whether a status belongs to a rule of the view's site.
func known(v *exporter.View, s rules.Status) bool {
	return s.Rule >= 0 && s.Rule < len(v.Site.Rules)
}

func (p *Panel) pointJSON(v *exporter.View, i int) pointJSON {
	pt, r := &v.Site.Points[i], reading(v, i)
	j := pointJSON{Point: pt.Name, Station: pt.Station, Unit: pt.Unit, Quality: r.Quality.String(), Reason: r.Reason()}
	if r.Quality != collector.Unread {
		j.Time = p.stamp(r.At)
	}
	switch {
	case !r.Quality.Usable():
	case pt.Kind == collector.Text:
		j.Value = strings.ToValidUTF8(r.Text, "�")
	case number(r.Value) != nil:
		j.Value = tidy(r.Value)
	}
	return j
}

func (p *Panel) alarmJSON(v *exporter.View, s rules.Status) alarmJSON {
	rule := &v.Site.Rules[s.Rule]
	j := alarmJSON{
		Alarm: rule.Name, Point: pointName(v, rule.Point), State: s.State.String(), Priority: rule.Priority.String(),
		Unit: rule.Unit, Message: message(v, s), Response: rule.Response, AcknowledgedBy: s.AcknowledgedBy,
	}
	if at := since(s); at != 0 {
		j.Since = p.stamp(at)
	}
	if s.Started != 0 && rule.Kind != rules.BadSignal { // the last good value is not what rings
		j.Value = number(s.Value)
	}
	if hasLimit(rule) {
		j.Limit = number(rule.Limit)
	}
	if s.State >= rules.Shelved {
		j.By, j.Reason = s.By, s.Why
	}
	if s.State == rules.Shelved && s.Until != 0 {
		j.Until = p.stamp(s.Until)
	}
	return j
}

// since returns the moment that people mean by it: the start of the activation
// for an alarm that stands, else the last change of its state; 0 for never.
func since(s rules.Status) collector.Moment {
	standing := s.State >= rules.Unacknowledged && s.State <= rules.LatchAcknowledged
	if standing && s.Started != 0 {
		return s.Started
	}
	return s.Since
}

func (p *Panel) stamp(m collector.Moment) *string {
	s := p.wallTime(m).Format(time.RFC3339Nano)
	return &s
}

// number returns v for JSON, nil when it is no number: JSON has no NaN.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	v = tidy(v)
	return &v
}

// tidy drops the noise of binary fractions (12.600000000000001) and keeps what any instrument can tell: 12 digits.
func tidy(v float64) float64 {
	t, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64)
	if err != nil || v == math.Trunc(v) { // counters keep all their digits
		return v
	}
	return t
}

func pointName(v *exporter.View, id collector.PointID) string {
	if id < 0 || int(id) >= len(v.Site.Points) {
		return ""
	}
	return v.Site.Points[id].Name
}

func writeJSON(w http.ResponseWriter, value any) error {
	body, err := json.Marshal(value)
	if err != nil {
		return fmt.Errorf("json: %w", err)
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(append(body, '\n')) // the client may be gone
	return nil
}
