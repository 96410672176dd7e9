package mail

import (
	"context"
	"errors"
	"net"
	"net/smtp"
	"time"
)

// LoginError returns what becomes of a login over a connection that counts as
// safe (localhost), on which the server answers every step with the same line.
func LoginError(line, password string) error {
	ours, theirs := net.Pipe()
	defer ours.Close()
	ours.SetDeadline(time.Now().Add(5 * time.Second)) // a broken exchange ends
	go func() {
		defer theirs.Close()
		b := make([]byte, 512)
		theirs.Write([]byte("220 here\r\n"))
		for n := 0; n < 5; n++ {
			if _, err := theirs.Read(b); err != nil {
				return
			}
			answer := line
			if n == 0 {
				answer = "250-here\r\n250 AUTH LOGIN"
			}
			theirs.Write([]byte(answer + "\r\n"))
		}
	}()
	client, err := smtp.NewClient(ours, "localhost")
	if err != nil {
		return errors.New("no greeting")
	}
	c := &Channel{opts: Options{Host: "localhost", Username: "box", Password: func() (string, error) { return password, nil }}}
	if err := c.logIn(client); err != nil {
		return c.judge(context.Background(), "login", err)
	}
	return nil
}
