package exporter

import (
	"net/http"
	"strconv"
	"strings"
)

// TakesGzip reports whether the Accept-Encoding header (RFC 9110, section 12.5.3) takes gzip.
func TakesGzip(h http.Header) bool {
	for part := range strings.SplitSeq(strings.Join(h.Values("Accept-Encoding"), ","), ",") {
		coding, params, _ := strings.Cut(strings.ToLower(strings.ReplaceAll(part, " ", "")), ";")
		if coding != "gzip" && coding != "*" {
			continue
		}
		q, err := strconv.ParseFloat(strings.TrimPrefix(params, "q="), 64)
		return params == "" || err == nil && q > 0
	}
	return false
}
