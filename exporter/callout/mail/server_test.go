package mail_test

import (
	"bufio"
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"strings"
	"testing"

	"roundsman/collector/outsidetest"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/internal/calltest"
	"roundsman/exporter/callout/mail"
)

const password = "hunter2 & more"

// taken is what the foreign server says of a mail.
type taken struct {
	Port      int
	From      string
	To        []string
	Data      string
	Encrypted bool
	Hello     string
	Login     bool
	Mechanism string
}

// foreign is a mail server of another make (aiosmtpd).
type foreign struct {
	t     *testing.T
	lines *bufio.Scanner
	opts  mail.Options
}

func startForeign(t *testing.T, mode string, without ...string) *foreign {
	t.Helper()
	python := outsidetest.Python(t, "python3-aiosmtpd", "aiosmtpd.controller")
	certificate, file := calltest.Certificate(t, "localhost", "127.0.0.1")
	cmd := exec.Command(python, append([]string{"testdata/server.py", mode, file, calltest.KeyFile(t, certificate)}, without...)...)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var complaints strings.Builder
	cmd.Stderr = &complaints
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		in.Close() // its sign to end
		io.Copy(io.Discard, out)
		cmd.Wait()
		if t.Failed() {
			t.Log(complaints.String())
		}
	})
	f := &foreign{t: t, lines: bufio.NewScanner(out), opts: mail.Options{
		Host: "127.0.0.1", CAFile: file, From: "Roundsman <roundsman@ardenmoor.example>",
	}}
	f.lines.Buffer(nil, 1<<20)
	f.opts.Port = f.next().Port
	f.opts.Security = map[string]mail.Security{"starttls": mail.StartTLS, "tls": mail.TLS, "plain": mail.Plain}[mode]
	if mode != "plain" {
		f.opts.Username, f.opts.Password = "box", calltest.Secret(password)
	}
	return f
}

func (f *foreign) next() (got taken) {
	f.t.Helper()
	if !f.lines.Scan() {
		f.t.Fatal("the mail server said nothing more")
	}
	if err := json.Unmarshal(f.lines.Bytes(), &got); err != nil {
		f.t.Fatal(err)
	}
	return got
}

func channel(t *testing.T, o mail.Options) *mail.Channel {
	t.Helper()
	c, err := mail.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// Each server takes a second to start, so what is asked of one kind stands in one test.
func TestForeignServerWithSTARTTLS(t *testing.T) {
	t.Parallel()
	f := startForeign(t, "starttls")
	f.takes(t, "PLAIN")
	f.refuses(t)
	f.takes(t, "PLAIN") // one refused person does not keep the next from being told
	f.refusesLogin(t)
	f.isUnknown(t)
}

func TestForeignServerWithSTARTTLSAndLOGIN(t *testing.T) {
	t.Parallel()
	startForeign(t, "starttls", "PLAIN").takes(t, "LOGIN")
}

func TestForeignServerWithTLS(t *testing.T) {
	t.Parallel()
	f := startForeign(t, "tls")
	f.takes(t, "PLAIN")
	f.refusesLogin(t)
	f.isUnknown(t)
}

func TestForeignServerWithoutEncryption(t *testing.T) {
	t.Parallel()
	f := startForeign(t, "plain")
	f.takes(t, "")
	o := f.opts
	o.Security, o.Username, o.Password = mail.StartTLS, "box", calltest.Secret(password)
	_, err := channel(t, o).Send(t.Context(), calltest.Message("n.quill@wash.example"))
	const want = "mail: 127.0.0.1: connection: the server offers no STARTTLS, and nothing is sent in the clear"
	if err == nil || err.Error() != want || errors.Is(err, callout.ErrForGood) {
		t.Errorf("got %v, want %q and temporary", err, want)
	}
}

func (f *foreign) takes(t *testing.T, mechanism string) {
	t.Helper()
	receipt, err := channel(t, f.opts).Send(t.Context(), calltest.Message("n.quill@wash.example"))
	if err != nil {
		t.Fatal(err)
	}
	if mechanism != "" {
		if got := f.next().Mechanism; got != mechanism {
			t.Errorf("logged in by %s, want %s", got, mechanism)
		}
	}
	got := f.next()
	secure := f.opts.Security != mail.Plain
	if got.Encrypted != secure || got.Login != secure {
		t.Errorf("encrypted %v, logged in %v", got.Encrypted, got.Login)
	}
	if got.From != "roundsman@ardenmoor.example" || len(got.To) != 1 || got.To[0] != "n.quill@wash.example" {
		t.Errorf("envelope from %q to %q", got.From, got.To)
	}
	if got.Hello != "ardenmoor.example" {
		t.Errorf("greeted as %q", got.Hello)
	}
	if !strings.Contains(got.Data, "Message-ID: "+receipt.Reference+"\r\n") || receipt.Delivered {
		t.Errorf("receipt %+v is not the mail's Message-ID", receipt)
	}
}

func (f *foreign) refuses(t *testing.T) {
	t.Helper()
	c := channel(t, f.opts)
	for _, tt := range []struct {
		to, want string
		forGood  bool
	}{
		{"refused@wash.example", "recipient refused: 550 5.1.1 no such mailbox", true},
		{"grey@wash.example", "recipient refused: 451 4.7.1 greylisted, come again", false},
		{"full@wash.example", "mail refused: 552 5.2.2 mailbox full", true},
	} {
		_, err := c.Send(t.Context(), calltest.Message(tt.to))
		f.next() // the login
		if err == nil || !strings.HasSuffix(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", tt.to, err, tt.want)
		}
		if errors.Is(err, callout.ErrForGood) != tt.forGood || errors.Is(err, callout.ErrPerhaps) || errors.Is(err, callout.ErrGone) {
			t.Errorf("%s: class of %v, want for good: %v", tt.to, err, tt.forGood)
		}
	}
}

func (f *foreign) refusesLogin(t *testing.T) {
	t.Helper()
	o := f.opts
	o.Password = calltest.Secret("old-and-wrong")
	_, err := channel(t, o).Send(t.Context(), calltest.Message("n.quill@wash.example"))
	calltest.Silent(t, err, "old-and-wrong", "b2xkLWFuZC13cm9uZ")
	if !errors.Is(err, callout.ErrForGood) || err.Error() != "mail: 127.0.0.1: refused for good: login refused: 535" {
		t.Errorf("got %v", err)
	}
}

func (f *foreign) isUnknown(t *testing.T) {
	t.Helper()
	o := f.opts
	_, o.CAFile = calltest.Certificate(t, "localhost", "127.0.0.1")
	_, err := channel(t, o).Send(t.Context(), calltest.Message("n.quill@wash.example"))
	if err == nil || !strings.Contains(err.Error(), "certificate signed by unknown authority") || errors.Is(err, callout.ErrForGood) {
		t.Errorf("%v, want a temporary refusal of the certificate", err)
	}
}
