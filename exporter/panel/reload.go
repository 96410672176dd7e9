package panel

import (
	"net/http"
	"strings"
)

// apiReload has the rule files read anew, for a named person. What is wrong with them is the answer's detail.
func (p *Panel) apiReload(w http.ResponseWriter, r *http.Request) error {
	if p.opts.Reload == nil {
		return problemf(http.StatusServiceUnavailable, "there are no files to read anew here")
	}
	_, person, err := p.request(w, r)
	if err != nil {
		return err
	}
	if err := p.opts.Reload(r.Context(), shown(person)); err != nil {
		return problemf(http.StatusUnprocessableEntity, "%s", strings.ToValidUTF8(err.Error(), "?"))
	}
	return writeJSON(w, map[string]bool{"reloaded": true})
}
