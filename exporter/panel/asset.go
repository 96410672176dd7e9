package panel

import (
	"crypto/sha256"
	"fmt"
	"net/http"
	"path"
	"strings"

	"roundsman/exporter/panel/draw"
)

// assetBody returns a style sheet or script as it is served, and its kind; ok is false if there is none of that name.
func assetBody(name string) (body []byte, kind string, ok bool) {
	kind, ok = map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8"}[path.Ext(name)]
	body, err := assets.ReadFile("assets/" + name)
	if name == "sheet.css" {
		body = append(body, draw.Style()...)
	}
	return body, kind, ok && err == nil
}

// version of an asset is the same as long as it is.
func version(body []byte) string { return fmt.Sprintf("%x", sha256.Sum256(body))[:12] }

// assetPath returns where pages find an asset. What is found there never changes, so a browser that has it asks for it no
// more: over a bad mobile link each question is a pause before the page is shown.
func assetPath(name string) (string, error) {
	body, _, ok := assetBody(name)
	if !ok {
		return "", fmt.Errorf("there is no asset %q", name)
	}
	return "/assets/" + name + "?v=" + version(body), nil
}

// asset serves the style sheets and the scripts.
func (p *Panel) asset(w http.ResponseWriter, r *http.Request) error {
	body, kind, ok := assetBody(r.PathValue("file"))
	if !ok {
		return notFound(w, r)
	}
	now := version(body)
	tag := `W/"` + now + `"` // weak: it is sent packed and not
	w.Header().Set("Content-Type", kind)
	w.Header().Set("ETag", tag)
	if r.URL.Query().Get("v") == now {
		w.Header().Set("Cache-Control", "max-age=31536000, immutable") // RFC 8246
	} else {
		w.Header().Set("Cache-Control", "no-cache") // it changes with the program
	}
	if strings.Contains(r.Header.Get("If-None-Match"), tag) {
		w.WriteHeader(http.StatusNotModified)
		return nil
	}
	_, _ = w.Write(body)
	return nil
}
