package panel

import (
	"encoding/json"
	"errors"
	"io"
	"math"
	"mime"
	"net/http"
	"strings"
	"unicode"
	"unicode/utf8"

	"roundsman/exporter"
)

// compareRequest is what comes with a comparison of a point with a gauge. Values are in the point's unit.
type compareRequest struct {
	By         string   `json:"by"`
	Gauge      *float64 `json:"gauge"`
	Reads      *float64 `json:"reads"`     // what the person compared with; nil: the present reading
	Tolerance  *float64 `json:"tolerance"` // nil: 2 % of the range
	Instrument string   `json:"instrument"`
}

// compareAnswer is the comparison as it was kept.
type compareAnswer struct {
	Point      string  `json:"point"`
	Event      string  `json:"event"`
	Reads      float64 `json:"reads"`
	Gauge      float64 `json:"gauge"`
	Difference float64 `json:"difference"`
	Tolerance  float64 `json:"tolerance"`
	Unit       string  `json:"unit"`
	Within     bool    `json:"within"`
}

// compareRoutes adds the paths of comparisons with gauges.
func (p *Panel) compareRoutes(mux *http.ServeMux) {
	for _, when := range []string{"as-found", "as-left"} {
		mux.Handle("/api/v1/points/{point}/"+when, p.wrap(p.apiCompare, http.MethodPost))
	}
}

// apiCompare keeps what a gauge shows beside a point's reading, for a named person.
func (p *Panel) apiCompare(w http.ResponseWriter, r *http.Request) error {
	if p.opts.Comparisons == nil {
		return problemf(http.StatusServiceUnavailable, "nothing is recorded here")
	}
	if !sameOrigin(r) {
		return errForeign()
	}
	req, err := readCompare(w, r)
	if err != nil {
		return err
	}
	person, err := p.actor(r, req.By, bearer(r))
	if err != nil {
		return err
	}
	c, err := p.comparison(r, &req)
	if err != nil {
		return err
	}
	if err := p.opts.Comparisons.Compare(r.Context(), *c, shown(person)); err != nil {
		return problemf(http.StatusServiceUnavailable, "%v", err)
	}
	return writeJSON(w, compareAnswer{c.Point, c.Word(), c.Reads, c.Gauge, c.Difference(), c.Tolerance, c.Unit, c.Within()})
}

// readCompare reads the body strictly.
func readCompare(w http.ResponseWriter, r *http.Request) (req compareRequest, err error) {
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		return req, problemf(http.StatusUnsupportedMediaType, "the body must be application/json")
	}
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, mostBody))
	d.DisallowUnknownFields()
	if err := d.Decode(&req); err != nil {
		if name, ok := strings.CutPrefix(err.Error(), "json: unknown field "); ok {
			return req, problemf(http.StatusBadRequest, "there is no field %s", quoteNear(strings.Trim(name, `"`), []string{"by", "gauge", "reads", "tolerance", "instrument"}))
		}
		return req, problemf(http.StatusBadRequest, "the body is no comparison: %s", strings.TrimPrefix(err.Error(), "json: "))
	}
	if _, more := d.Token(); !errors.Is(more, io.EOF) {
		return req, problemf(http.StatusBadRequest, "something follows the object")
	}
	return req, nil
}

// comparison checks what was said against the point.
func (p *Panel) comparison(r *http.Request, req *compareRequest) (*exporter.Comparison, error) {
	v, _ := p.now()
	name := r.PathValue("point")
	for i := range v.Site.Points {
		pt := &v.Site.Points[i]
		if pt.Name != name {
			continue
		}
		c := &exporter.Comparison{Point: pt.Name, Unit: pt.Unit, Digits: pt.Digits, Left: strings.HasSuffix(r.URL.Path, "/as-left"), Instrument: strings.TrimSpace(req.Instrument)}
		switch got := v.Readings[i]; {
		case req.Gauge == nil:
			return nil, problemf(http.StatusUnprocessableEntity, "gauge is missing: what does it show?").about("gauge")
		case req.Reads != nil:
			c.Reads = *req.Reads
		case !got.Quality.Usable():
			return nil, problemf(http.StatusConflict, "%s has no reading to compare with: %s", pt.Name, got.Reason())
		default:
			c.Reads, c.Doubt = got.Value, got.Reason()
		}
		c.Gauge = *req.Gauge
		c.Tolerance = exporter.Tolerance(pt, c.Gauge)
		if req.Tolerance != nil {
			c.Tolerance = *req.Tolerance
		}
		return c, vetComparison(c)
	}
	names := make([]string, len(v.Site.Points))
	for i := range names {
		names[i] = v.Site.Points[i].Name
	}
	return nil, problemf(http.StatusNotFound, "there is no point %s", quoteNear(name, names))
}

func vetComparison(c *exporter.Comparison) error {
	for _, x := range []float64{c.Reads, c.Gauge, c.Tolerance} {
		if math.Abs(x) > 1e15 || math.IsNaN(x) {
			return problemf(http.StatusUnprocessableEntity, "%g is no value", x)
		}
	}
	switch {
	case c.Tolerance < 0:
		return problemf(http.StatusUnprocessableEntity, "tolerance: %g is below nought", c.Tolerance).about("tolerance")
	case utf8.RuneCountInString(c.Instrument) > longestReason:
		return problemf(http.StatusUnprocessableEntity, "instrument has more than %d letters", longestReason).about("instrument")
	case strings.ContainsFunc(c.Instrument, func(x rune) bool { return !unicode.IsPrint(x) }):
		return problemf(http.StatusUnprocessableEntity, "instrument holds a character that cannot be shown on one line").about("instrument")
	}
	return nil
}
