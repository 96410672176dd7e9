package panel

import (
	"encoding/json"
	"fmt"
	"net/http"

	"roundsman/collector"
	"roundsman/exporter"
)

type healthJSON struct {
	Alive bool         `json:"alive"`
	Time  string       `json:"time"` // of the view that was judged last
	Parts []partJSON   `json:"parts"`
	Links []linkStatus `json:"links"`
}

type partJSON struct {
	Part   string `json:"part"`
	Alive  bool   `json:"alive"`
	Detail string `json:"detail"`
}

type linkStatus struct {
	Link    string     `json:"link"`
	Kind    string     `json:"kind"`
	Address string     `json:"address"`
	Up      bool       `json:"up"`
	Since   *string    `json:"since"`
	Error   string     `json:"error"` // why it is, or was last, down
	Units   []unitJSON `json:"units"`
}

type unitJSON struct {
	Unit   uint8  `json:"unit"`
	Good   bool   `json:"good"`
	Reason string `json:"reason"`
}

// health answers 200 while every part is alive, 503 otherwise. A link that is
// down is told but is no fault of ours: restarting the daemon would not mend it.
func (p *Panel) health(w http.ResponseWriter, r *http.Request) error {
	v, now := p.now()
	h := p.healthJSON(v, now)
	if !p.mayView(r) { // whoever watches the daemon needs no more than the answer
		h.Parts, h.Links = []partJSON{}, []linkStatus{}
	}
	body, err := json.Marshal(h)
	if err != nil {
		return fmt.Errorf("json: %w", err)
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	if !h.Alive {
		w.WriteHeader(http.StatusServiceUnavailable)
	}
	_, _ = w.Write(append(body, '\n'))
	return nil
}

func (p *Panel) healthJSON(v *exporter.View, now collector.Moment) healthJSON {
	h := healthJSON{Alive: true, Time: *p.stamp(v.At), Parts: []partJSON{}, Links: []linkStatus{}}
	for _, part := range append(p.opts.Parts(), p.judging(v, now)) {
		h.Alive = h.Alive && part.Alive
		h.Parts = append(h.Parts, partJSON{part.Name, part.Alive, part.Detail})
	}
	for i := range v.Links {
		h.Links = append(h.Links, p.linkJSON(&v.Links[i]))
	}
	return h
}

// judging is the part nobody else can tell of: whether views still come.
func (p *Panel) judging(v *exporter.View, now collector.Moment) Part {
	age := now.Sub(v.At)
	part := Part{Name: "views", Alive: age <= p.opts.Overdue}
	if !part.Alive {
		part.Detail = fmt.Sprintf("the last is %s old, %s is allowed", roughly(age), roughly(p.opts.Overdue))
	}
	return part
}

func (p *Panel) linkJSON(l *collector.LinkStatus) linkStatus {
	j := linkStatus{Link: l.Name, Kind: l.Kind, Address: l.Address, Up: l.Up, Error: l.LastError, Units: []unitJSON{}}
	if l.Since != 0 {
		j.Since = p.stamp(l.Since)
	}
	for _, u := range l.Units {
		j.Units = append(j.Units, unitJSON{u.Unit, u.Good, u.Reason})
	}
	return j
}
