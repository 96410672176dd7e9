package panel

import (
	"errors"
	"net/http"

	"roundsman/collector/units"
	"roundsman/exporter"
)

// drillJSON is one person's test call; times are seconds since its message was written, absent while they are not known.
type drillJSON struct {
	Contact  string   `json:"contact"`
	Number   int      `json:"number,omitzero"`
	Channel  string   `json:"channel,omitzero"`
	Taken    *float64 `json:"takenSeconds,omitempty"`
	Answered *float64 `json:"answeredSeconds,omitempty"`
	Done     bool     `json:"done"`
	Failed   bool     `json:"failed"`
}

// apiDrill begins test calls for a named person (POST; ?contact= says to whom, everybody if not given), or tells how
// they are going (GET).
func (p *Panel) apiDrill(w http.ResponseWriter, r *http.Request) error {
	if p.opts.Drills == nil {
		return problemf(http.StatusServiceUnavailable, "nobody is called from here: the site has no call-outs")
	}
	if r.Method == http.MethodPost {
		if err := p.drill(w, r); err != nil {
			return err
		}
	}
	out := []drillJSON{}
	for _, s := range p.opts.Drills.Drilled() {
		j := drillJSON{Contact: s.Contact, Number: s.Number, Channel: s.Way, Done: s.Done, Failed: s.Failed}
		if s.Taken > 0 {
			v := s.Taken.Seconds()
			j.Taken = &v
		}
		if s.Answered > 0 {
			v := s.Answered.Seconds()
			j.Answered = &v
		}
		out = append(out, j)
	}
	return writeJSON(w, out)
}

func (p *Panel) drill(w http.ResponseWriter, r *http.Request) error {
	req, person, err := p.request(w, r)
	if err != nil {
		return err
	}
	within, err := units.ParseDuration(req.For)
	if req.For != "" && (err != nil || within <= 0) {
		return problemf(http.StatusBadRequest, "for: %q is no time to answer in", req.For).about("for")
	}
	err = p.opts.Drills.Drill(r.Context(), shown(person), r.URL.Query()["contact"], within)
	if errors.Is(err, exporter.ErrNoContact) {
		return problemf(http.StatusNotFound, "%v", err).about("contact")
	}
	return err
}
