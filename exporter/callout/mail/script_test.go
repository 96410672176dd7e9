package mail_test

import (
	"bufio"
	"context"
	"encoding/base64"
	"errors"
	"io"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/exporter/callout"
	"roundsman/exporter/callout/internal/calltest"
	"roundsman/exporter/callout/mail"
)

// script is a server on a pipe that answers each command as it is told; "" is
// silence, "cut" ends the connection. Commands without an answer here get the usual ones.
type script struct {
	answers map[string]string
	mails   []string         // whole ones, with their end
	said    []string         // commands
	message *callout.Message // to be sent; nil: the usual one
}

func (s *script) answer(command string) string {
	verb, _, _ := strings.Cut(strings.ToUpper(strings.TrimSpace(command)), " ")
	if a, ok := s.answers[verb]; ok {
		return a
	}
	usual := map[string]string{"EHLO": "250 here", "DATA": "354 go on", "QUIT": "221 bye"}
	if a, ok := usual[verb]; ok {
		return a
	}
	return "250 ok"
}

func (s *script) serve(conn net.Conn) {
	defer conn.Close()
	r := bufio.NewReader(conn)
	say := func(a string) bool {
		switch a {
		case "":
			io.Copy(io.Discard, r) // silence until the other side has had enough
			return false
		case "cut":
			return false
		}
		_, err := io.WriteString(conn, a+"\r\n")
		return err == nil
	}
	for ok := say(s.answer("GREETING")); ok; {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		s.said = append(s.said, strings.TrimSpace(line))
		a := s.answer(line)
		if ok = say(a); !ok || !strings.HasPrefix(strings.ToUpper(line), "DATA") || !strings.HasPrefix(a, "354") {
			continue
		}
		var mail strings.Builder
		for line != ".\r\n" {
			if line, err = r.ReadString('\n'); err != nil {
				return
			}
			mail.WriteString(line)
		}
		s.mails = append(s.mails, mail.String())
		ok = say(s.answer("END"))
	}
}

// send has one mail sent to the script, and returns how long that took in fake time.
func (s *script) send(t *testing.T, change func(*mail.Options)) (receipt callout.Receipt, took time.Duration, err error) {
	t.Helper()
	if _, ok := s.answers["GREETING"]; !ok {
		s.answers["GREETING"] = "220 here"
	}
	done := make(chan struct{}, 8)
	served := 0
	o := mail.Options{Host: "localhost", Security: mail.Plain, From: "roundsman@ardenmoor.example",
		Dial: func(context.Context, string, string) (net.Conn, error) {
			ours, theirs := net.Pipe()
			served++
			go func() { s.serve(theirs); done <- struct{}{} }()
			return ours, nil
		}}
	if change != nil {
		change(&o)
	}
	if s.message == nil {
		s.message = calltest.Message("n.quill@wash.example")
	}
	begin := time.Now()
	receipt, err = channel(t, o).Send(t.Context(), s.message)
	took = time.Since(begin)
	for range served {
		<-done
	}
	return receipt, took, err
}

func TestWhatAnErrorMeansAtEachStage(t *testing.T) {
	const temporary, forGood, perhaps, sent = "temporary", "for good", "perhaps", "sent"
	tests := []struct {
		at, answer, class string
		limit             time.Duration
	}{
		{"GREETING", "", temporary, 30 * time.Second},
		{"GREETING", "cut", temporary, 0},
		{"GREETING", "421 busy", temporary, 0},
		{"GREETING", "554 not for you", forGood, 0},
		{"EHLO", "", temporary, 30 * time.Second},
		{"MAIL", "452 4.3.1 no room", temporary, 0},
		{"MAIL", "553 5.1.8 unknown sender", forGood, 0},
		{"MAIL", "", temporary, 30 * time.Second},
		{"RCPT", "450 4.2.0 greylisted", temporary, 0},
		{"RCPT", "550 5.1.1 nobody", forGood, 0},
		{"RCPT", "cut", temporary, 0},
		{"DATA", "451 4.3.0 later", temporary, 0},
		{"DATA", "554 5.5.0 no", forGood, 0},
		{"DATA", "", temporary, 30 * time.Second},
		{"END", "", perhaps, 30 * time.Second},
		{"END", "cut", perhaps, 0},
		{"END", "garbage", perhaps, 0},
		{"END", "451 4.3.2 later", temporary, 0},
		{"END", "554 5.7.1 looks like spam", forGood, 0},
		{"QUIT", "", sent, 2 * time.Second},
		{"QUIT", "cut", sent, 0},
		{"QUIT", "500 what?", sent, 0},
	}
	for _, tt := range tests {
		t.Run(tt.at+" "+tt.answer, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := &script{answers: map[string]string{tt.at: tt.answer}}
				receipt, took, err := s.send(t, nil)
				got := temporary
				switch {
				case err == nil:
					got = sent
				case errors.Is(err, callout.ErrForGood):
					got = forGood
				case errors.Is(err, callout.ErrPerhaps):
					got = perhaps
				}
				if got != tt.class || took != tt.limit {
					t.Errorf("%s after %v, want %s after %v: %v", got, took, tt.class, tt.limit, err)
				}
				if whole := len(s.mails) == 1; whole != (tt.at == "END" || tt.at == "QUIT") {
					t.Errorf("the server has %d whole mails", len(s.mails))
				}
				if tt.class == sent && receipt.Reference == "" {
					t.Error("no Message-ID in the receipt")
				}
			})
		})
	}
}

// A mail that may have arrived is sent again with the same Message-ID.
func TestRepeatIsTheSameMail(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		lost, again := &script{answers: map[string]string{"END": ""}}, &script{answers: map[string]string{}}
		if _, _, err := lost.send(t, nil); !errors.Is(err, callout.ErrPerhaps) {
			t.Fatal(err)
		}
		receipt, _, err := again.send(t, nil)
		if err != nil {
			t.Fatal(err)
		}
		line := "\r\nMessage-ID: " + receipt.Reference + "\r\n"
		if !strings.Contains(lost.mails[0], line) || !strings.Contains(again.mails[0], line) {
			t.Errorf("the two copies do not both have %s", receipt.Reference)
		}
	})
}

func TestCancelledAtOnce(t *testing.T) {
	for _, at := range []string{"GREETING", "EHLO", "RCPT", "END"} {
		synctest.Test(t, func(t *testing.T) {
			s := &script{answers: map[string]string{at: ""}}
			if at != "GREETING" {
				s.answers["GREETING"] = "220 here"
			}
			ended := make(chan struct{})
			c := channel(t, mail.Options{Host: "localhost", Security: mail.Plain, From: "a@b.example",
				Dial: func(context.Context, string, string) (net.Conn, error) {
					ours, theirs := net.Pipe()
					go func() { s.serve(theirs); close(ended) }()
					return ours, nil
				}})
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			defer cancel()
			begin := time.Now()
			_, err := c.Send(ctx, calltest.Message("n.quill@wash.example"))
			if took := time.Since(begin); took != time.Second || !errors.Is(err, context.DeadlineExceeded) {
				t.Errorf("%s: %v after %v, want the deadline after 1s", at, err, took)
			}
			<-ended
		})
	}
}

func TestDialErrorIsTemporary(t *testing.T) {
	c := channel(t, mail.Options{Host: "mail.example", From: "a@b.example",
		Dial: func(context.Context, string, string) (net.Conn, error) {
			return nil, errors.New("network is unreachable")
		}})
	_, err := c.Send(t.Context(), calltest.Message("n.quill@wash.example"))
	if err == nil || err.Error() != "mail: mail.example: connection: network is unreachable" ||
		errors.Is(err, callout.ErrForGood) || errors.Is(err, callout.ErrPerhaps) {
		t.Errorf("got %v", err)
	}
}

// A password goes neither over a connection in the clear, nor into an error when the server repeats it.
func TestPasswordStaysSecret(t *testing.T) {
	const secret = "correct horse"
	coded := base64.StdEncoding.EncodeToString([]byte(secret))
	login := func(o *mail.Options) {
		o.Security, o.Username, o.Password = mail.StartTLS, "box", calltest.Secret(secret)
	}
	synctest.Test(t, func(t *testing.T) {
		s := &script{answers: map[string]string{"EHLO": "250-here\r\n250 AUTH PLAIN LOGIN"}}
		_, _, err := s.send(t, login)
		calltest.Silent(t, err, secret, coded)
		if all := strings.Join(s.said, "\n"); strings.Contains(all, "AUTH") || strings.Contains(all, "MAIL") {
			t.Errorf("said in the clear: %s", all)
		}
	})
	_, err := mail.New(mail.Options{Host: "mail.example", Security: mail.Plain, From: "a@b.example", Username: "box", Password: calltest.Secret(secret)})
	calltest.Silent(t, err, secret, coded)

	for _, echo := range []string{"535 no: " + secret, "334 " + coded, "secret " + secret + " is wrong", "2 " + coded, "999 " + secret} {
		err := mail.LoginError(echo, secret)
		calltest.Silent(t, err, secret, coded)
	}
	c := channel(t, mail.Options{Host: "mail.example", From: "a@b.example", Username: "box",
		Password: func() (string, error) { return "", errors.New("open password: permission denied") }})
	if text := c.Kind(); text != "mail" {
		t.Errorf("kind %q", text)
	}
}

func TestOptionsRefused(t *testing.T) {
	good := mail.Options{Host: "mail.example", From: "a@b.example"}
	for _, tt := range []struct {
		change func(*mail.Options)
		want   string
	}{
		{func(o *mail.Options) { o.Host = "" }, `mail: host "": not a host name or address`},
		{func(o *mail.Options) { o.Host = "a b" }, `mail: host "a b": not a host name or address`},
		{func(o *mail.Options) { o.From = "nobody" }, `mail: from: mail address "nobody": mail: missing '@' or angle-addr`},
		{func(o *mail.Options) { o.From = "a@b.example\r\nBcc: x@y.example" }, "mail: from: mail address: holds a line break or control character"},
		{func(o *mail.Options) { o.ReplyTo = "a@" }, `mail: reply-to: mail address "a@": mail: missing '@' or angle-addr`},
		{func(o *mail.Options) { o.Domain = "a b" }, `mail: domain "a b": not a host name`},
		{func(o *mail.Options) { o.Username = "box" }, "mail: a user name and a password go together"},
		{func(o *mail.Options) { o.Port = 70000 }, "mail: port 70000: not from 1 to 65535"},
		{func(o *mail.Options) { o.CAFile = "missing.pem" }, "mail: certificates: stat missing.pem: no such file or directory"},
		{func(o *mail.Options) { o.Security = 9 }, "mail: unknown security 9"},
		{func(o *mail.Options) {
			o.Security, o.Username, o.Password = mail.Plain, "box", calltest.Secret("x")
		}, "mail: a password is not sent over a connection in the clear: use starttls or tls"},
	} {
		o := good
		tt.change(&o)
		if _, err := mail.New(o); err == nil || err.Error() != tt.want {
			t.Errorf("got %v\nwant %s", err, tt.want)
		}
	}
}
