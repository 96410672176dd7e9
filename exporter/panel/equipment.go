package panel

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"roundsman/exporter"
)

// equipmentJSON is one machine as the interface tells it, with what is counted since it is watched.
type equipmentJSON struct {
	Equipment     string        `json:"equipment"`
	Station       string        `json:"station"`
	Running       *bool         `json:"running"` // null while it is not known
	RunSeconds    float64       `json:"runSeconds"`
	Starts        uint64        `json:"starts"`
	UnseenSeconds float64       `json:"unseenSeconds"`
	Services      []serviceJSON `json:"services"`
}

// serviceJSON is work due by run time.
type serviceJSON struct {
	Service      string  `json:"service"`
	EverySeconds float64 `json:"everySeconds"`
	DueSeconds   float64 `json:"dueSeconds"` // run time left; below 0 it is overdue
	Last         *string `json:"last"`       // null: never, counted since the machine is watched
	By           string  `json:"by"`
}

func (p *Panel) apiEquipment(w http.ResponseWriter, r *http.Request) error {
	v, _ := p.now()
	list := make([]equipmentJSON, 0, len(v.Equipment))
	for i := range v.Equipment {
		list = append(list, newEquipmentJSON(&v.Equipment[i]))
	}
	return writeJSON(w, list)
}

func newEquipmentJSON(e *exporter.Equipment) equipmentJSON {
	j := equipmentJSON{Equipment: e.Name, Station: e.Station, RunSeconds: tidy(e.RunSeconds), Starts: e.Starts, UnseenSeconds: tidy(e.UnseenSeconds), Services: []serviceJSON{}}
	if e.Known {
		j.Running = &e.Running
	}
	for _, s := range e.Services {
		out := serviceJSON{Service: s.Service, EverySeconds: s.EverySeconds, DueSeconds: tidy(s.DueSeconds), By: s.LastWho}
		if !s.LastTime.IsZero() {
			last := s.LastTime.UTC().Format(time.RFC3339Nano)
			out.Last = &last
		}
		j.Services = append(j.Services, out)
	}
	return j
}

// apiDuty answers what one machine did over a span: over the last seven days where none is given.
func (p *Panel) apiDuty(w http.ResponseWriter, r *http.Request) error {
	if p.opts.Duties == nil {
		return problemf(http.StatusServiceUnavailable, "nothing is recorded here")
	}
	name := r.PathValue("equipment")
	return p.review(w, r, func(ctx context.Context, from, to time.Time) ([]byte, error) {
		body, err := p.opts.Duties.Duty(ctx, name, from, to)
		if errors.Is(err, exporter.ErrNoEquipment) {
			var names []string
			for _, e := range p.board.View().Equipment {
				names = append(names, e.Name)
			}
			return nil, problemf(http.StatusNotFound, "there is no equipment %s", quoteNear(name, names))
		}
		return body, err
	})
}

// serviceRequest is what comes with a service that was done.
type serviceRequest struct {
	By      string `json:"by"`
	Service string `json:"service"`
	Reason  string `json:"reason"` // what was found, for the journal
}

// apiServiced notes for a named person that a service was done, and answers the machine as it is then.
func (p *Panel) apiServiced(w http.ResponseWriter, r *http.Request) error {
	if p.opts.Services == nil {
		return problemf(http.StatusServiceUnavailable, "nothing is recorded here")
	}
	if !sameOrigin(r) {
		return errForeign()
	}
	var req serviceRequest
	if err := decodeJSON(w, r, &req, "by", "service", "reason"); err != nil {
		return err
	}
	person, err := p.actor(r, req.By, bearer(r))
	if err != nil {
		return err
	}
	req.Reason = strings.TrimSpace(req.Reason)
	switch {
	case req.Service == "":
		return problemf(http.StatusUnprocessableEntity, "service is missing: what was done?").about("service")
	case utf8.RuneCountInString(req.Reason) > longestReason:
		return problemf(http.StatusUnprocessableEntity, "reason has more than %d letters", longestReason).about("reason")
	case strings.ContainsFunc(req.Reason, func(x rune) bool { return !unicode.IsPrint(x) }):
		return problemf(http.StatusUnprocessableEntity, "reason holds a character that cannot be shown on one line").about("reason")
	}
	name := r.PathValue("equipment")
	err = p.opts.Services.Serviced(r.Context(), name, req.Service, shown(person), req.Reason)
	switch {
	case errors.Is(err, exporter.ErrNoEquipment):
		return problemf(http.StatusNotFound, "%s", clip(strings.ToValidUTF8(err.Error(), "?")))
	case errors.Is(err, exporter.ErrNoService):
		return problemf(http.StatusUnprocessableEntity, "%s", strings.ToValidUTF8(err.Error(), "?")).about("service")
	case err != nil:
		return problemf(http.StatusServiceUnavailable, "%v", err)
	}
	v, _ := p.now()
	for i := range v.Equipment {
		if v.Equipment[i].Name == name {
			return writeJSON(w, newEquipmentJSON(&v.Equipment[i]))
		}
	}
	return problemf(http.StatusNotFound, "there is no equipment %q", clip(name))
}
