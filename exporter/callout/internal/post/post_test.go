package post_test

import (
	"net/http"
	"net/http/httptest"
	"testing"

	"roundsman/exporter/callout/internal/calltest"
	"roundsman/exporter/callout/internal/post"
)

// Of a long answer only the beginning is read, and its status counts.
func TestLongAnswer(t *testing.T) {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusAccepted)
		w.Write(make([]byte, 1<<20))
	}))
	defer server.Close()
	client, err := post.New(post.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer client.Close()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, server.URL, nil)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := client.Do(r)
	if err != nil || answer.Status != http.StatusAccepted || answer.Err() != nil || len(answer.Body) != 64<<10 {
		t.Errorf("%d with %d bytes: %v", answer.Status, len(answer.Body), err)
	}
}

func TestAddresses(t *testing.T) {
	for _, tt := range []struct {
		address string
		plain   bool
		want    string // "": taken
	}{
		{"https://hook.example/T0K3N", false, ""},
		{"http://127.0.0.1:8080/T0K3N", false, ""}, {"http://[::1]/T0K3N", false, ""}, {"http://localhost/T0K3N", false, ""},
		{"http://hook.example/T0K3N", true, ""},
		{"http://hook.example/T0K3N", false, "hook.example: http is not encrypted: use https, or say that plain http is meant"},
		{"http://127.0.0.1.example/T0K3N", false, "127.0.0.1.example: http is not encrypted: use https, or say that plain http is meant"},
		{"http://localhost.example/T0K3N", false, "localhost.example: http is not encrypted: use https, or say that plain http is meant"},
		{"gopher://hook.example/T0K3N", true, `hook.example: scheme "gopher" is neither https nor http`},
		{"https://T0K3N@hook.example/", false, "hook.example: a name or password inside a URL is not taken; give it as a header from a file"},
		{"https:///T0K3N", false, "address is not a URL with a host"}, {"https://:443/T0K3N", false, "address is not a URL with a host"},
		{"", false, "address is not a URL with a host"}, {"https://hook.example/%zzT0K3N", false, "address is not a URL with a host"},
	} {
		_, err := post.Check(tt.address, tt.plain)
		switch {
		case tt.want == "" && err != nil:
			t.Errorf("%s: %v", tt.address, err)
		case tt.want != "" && (err == nil || err.Error() != tt.want):
			t.Errorf("%s: %v, want %s", tt.address, err, tt.want)
		case err != nil:
			calltest.Silent(t, err, "T0K3N")
		}
	}
}
