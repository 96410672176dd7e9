//go:build unix

package faults_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"

	"roundsman/deploy/bench/faults"
	"roundsman/exporter/record"
)

// letter is a mail that the foreign server took.
type letter struct{ To, ID, Text string }

// fate is what became of the messages on the record.
type fate struct {
	rows, taken, waiting, doubled int
	lost                          []string
}

// fateOf holds each message of the record against the letters that the server took. Lost is one that is neither among
// them nor still to be sent, whatever the record says of it, and one that was taken and is not on the record. That a
// letter comes twice is not wrong where nobody can know that it came (RFC 5321, section 4.5.3.2.6): it is counted.
func fateOf(rows []record.Sending, mails []letter) (f fate) {
	f.rows = len(rows)
	taken := map[string]int{}
	for _, l := range mails {
		taken[l.ID+" "+l.To]++
	}
	for _, r := range rows {
		sum := sha256.Sum256([]byte(r.Key))
		letter := "<m." + hex.EncodeToString(sum[:16]) + "@wash.example> ann" + strings.TrimPrefix(r.Contact, "ann-") + "@wash.example"
		n := taken[letter]
		delete(taken, letter)
		switch {
		case n > 0:
			f.taken++
			f.doubled += n - 1
		case !r.Done:
			f.waiting++
		default:
			f.lost = append(f.lost, fmt.Sprintf("%s for %s about %s: %s after %d tries, and the server never took it", r.Key, r.Contact, r.Alarm, r.State, r.Tries))
		}
	}
	f.lost = append(f.lost, gaps(rows)...)
	for letter, n := range taken {
		f.lost = append(f.lost, fmt.Sprintf("%s came %d times and is no message of the record to this person", letter, n))
	}
	return f
}

// gaps tells which messages were made and are not on the record: their keys end with a number that counts them from 1.
func gaps(rows []record.Sending) (lost []string) {
	there, last := map[int]bool{}, 0
	for _, r := range rows {
		n, err := strconv.Atoi(r.Key[strings.LastIndexByte(r.Key, '-')+1:])
		if err != nil {
			lost = append(lost, r.Key+" has no number")
		}
		there[n], last = true, max(last, n)
	}
	for n := 1; n < last; n++ {
		if !there[n] {
			lost = append(lost, fmt.Sprintf("message %d was made and is not on the record", n))
		}
	}
	return lost
}

// outbox reads the messages of the record beside the program, or after its end.
func (m *matrix) outbox() []record.Sending {
	m.Helper()
	r, err := record.Read(filepath.Join(m.dir, "corner.db"))
	if err != nil {
		m.Fatal(err)
	}
	defer func() { _ = r.Close() }()
	rows, err := r.Outbox(context.Background(), record.OutboxQuery{})
	if err != nil {
		m.Fatal(err)
	}
	return rows
}

// mailed kills the program while it hands over a letter, starts it again, and waits until nothing on the record is
// still to be sent. After the faults a channel may rest for minutes before its next try; a start tries at once.
func (m *matrix) mailed(since int, seed uint64) {
	m.Helper()
	before, then := m.killed(seed)
	m.launch(m.program.Path)
	left := func() (f fate, silent []string) {
		rows := m.outbox() // before the letters: what it says is sent must have come by then
		m.mu.Lock()
		defer m.mu.Unlock()
		f = fateOf(rows, m.mails)
		f.lost = append(f.lost, missing(before, rows)...)
		silent = append(unnamed(3*perPeer, 1, m.mails[since:]), unnamed(3*perPeer, perPeer, m.mails[then:])...)
		return f, silent
	}
	f, silent := left()
	for end := time.Now().Add(60 * time.Second); f.waiting+len(silent) > 0 && time.Now().Before(end); f, silent = left() {
		time.Sleep(100 * time.Millisecond)
	}
	m.Logf("messages on the record: %d; taken by the server %d, of which doubled %d; waiting %d; lost %d", f.rows, f.taken, f.doubled, f.waiting, len(f.lost))
	if f.rows < perPeer || f.waiting+len(f.lost)+len(silent) > 0 {
		m.Errorf("of %d messages %d still wait; no letter about %v; lost: %s", f.rows, f.waiting, silent, strings.Join(f.lost, "\n"))
	}
}

// killed lets the alarms of the first row ring once more while its mail is delayed, kills the program in the middle of a
// try, and returns what is on the record then and how many letters had come before.
func (m *matrix) killed(seed uint64) (rows []record.Sending, then int) {
	m.Helper()
	m.mu.Lock()
	then = len(m.mails)
	m.mu.Unlock()
	m.post[0].Set(faults.Delay, seed)
	var c counts
	under := false
	m.hold(0, longest, &c, func() bool {
		for _, r := range m.outbox() {
			under = under || r.State == "sending" && r.Contact == "ann-0"
		}
		return under && len(m.active(0)) == len(peers)
	})
	if !under {
		m.Error("no letter was under way, so that the kill could meet one")
	}
	if err := m.program.Process.Kill(); err != nil {
		m.Fatal(err)
	}
	_ = m.program.Wait() // which says that it was killed
	m.post[0].Set(faults.None, 0)
	rows = m.outbox()
	m.mu.Lock()
	defer m.mu.Unlock()
	f := fateOf(rows, m.mails)
	m.Logf("at the kill: messages on the record: %d; taken by the server %d, of which doubled %d; waiting %d; lost %d", f.rows, f.taken, f.doubled, f.waiting, len(f.lost))
	if len(f.lost) > 0 {
		m.Errorf("at the kill: lost: %s", strings.Join(f.lost, "\n"))
	}
	return rows, then
}

// missing tells which messages are no more on the record.
func missing(before, now []record.Sending) (lost []string) {
	there := map[string]bool{}
	for _, r := range now {
		there[r.Key] = true
	}
	for _, r := range before {
		if !there[r.Key] {
			lost = append(lost, r.Key+" is no more on the record")
		}
	}
	return lost
}

// unnamed tells of which points, each so many one, no letter to their row's person speaks.
func unnamed(n, step int, mails []letter) (names []string) {
	for p := 0; p < n; p += step {
		all := "" // of the row's person, so that another row's letter that lists what else is active does not count
		for _, l := range mails {
			if strings.HasPrefix(l.To, fmt.Sprintf("ann%d@", p%perPeer)) {
				all += l.Text
			}
		}
		// A message of several alarms names the others by station, of which each point has its own here.
		if !regexp.MustCompile(fmt.Sprintf(`(?i)\b[ps]%d\b`, p)).MatchString(all) {
			names = append(names, fmt.Sprint("p", p))
		}
	}
	return names
}
