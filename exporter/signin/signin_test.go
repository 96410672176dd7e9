package signin_test

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/signin"
)

// cheap hashes keep tests quick.
var cheap = signin.Cost{Memory: 64, Passes: 1, Threads: 1}

const good = "three brushes and a mop"

// gate is a door with its surroundings.
type gate struct {
	*signin.Door
	now      collector.Moment
	accounts []signin.Account
	err      error // of the accounts

	mu      sync.Mutex
	at      collector.Moment
	doc     []byte
	entries []string
	full    error // the book cannot be written
	trouble []error
}

func (g *gate) Keep(at collector.Moment, doc []byte, e signin.Entry) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.full != nil {
		return g.full
	}
	g.at, g.doc = at, doc
	if e.Kind != "" {
		g.entries = append(g.entries, fmt.Sprintf("%s: %s: %s", e.Kind, e.Who, e.Why))
	}
	return nil
}

func newGate() *gate {
	g := &gate{now: collector.At(time.Date(2026, 11, 28, 6, 10, 0, 0, time.UTC)), accounts: []signin.Account{
		{Name: "n.quill", Role: signin.Operator, Hash: cheap.NewHash(good), Shown: "Niamh Quill"},
		{Name: "office", Role: signin.Viewer, Hash: cheap.NewHash("seven dry towels")},
	}}
	g.open()
	return g
}

func (g *gate) open() {
	g.Door = signin.New(signin.Options{Cost: cheap, Book: g, Now: func() collector.Moment { return g.now },
		Accounts: func() ([]signin.Account, error) { return g.accounts, g.err },
		Trouble:  func(err error) { g.trouble = append(g.trouble, err) }})
}

// restart is the same box a while later: its moments begin anew.
func (g *gate) restart(t *testing.T, gone time.Duration) {
	t.Helper()
	at := collector.Moment(5 * time.Second).Add(-gone)
	g.now = collector.Moment(5 * time.Second)
	g.open()
	if err := g.Restore(at, g.doc); err != nil {
		t.Fatal(err)
	}
}

func (g *gate) in(t *testing.T, name, password string) string {
	t.Helper()
	token, _, err := g.SignIn(t.Context(), name, password, "192.0.2.7:40000")
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return token
}

func (g *gate) is(t *testing.T, token, want string) {
	t.Helper()
	who, ok := g.Who(token)
	if got := who.Name; got != want || ok != (want != "") {
		t.Errorf("the token is %q, %t; want %q", got, ok, want)
	}
}

func (g *gate) wrote(t *testing.T, want ...string) {
	t.Helper()
	if got := strings.Join(g.entries, "\n"); got != strings.Join(want, "\n") {
		t.Errorf("the journal has:\n%s\nwant:\n%s", got, strings.Join(want, "\n"))
	}
}

func TestSignIn(t *testing.T) {
	g := newGate()
	token, who, err := g.SignIn(t.Context(), "n.quill", good, "192.0.2.7:40000")
	if err != nil || who != (signin.Who{Name: "n.quill", Shown: "Niamh Quill", Role: signin.Operator}) {
		t.Fatalf("%v, %v", who, err)
	}
	again := g.in(t, "n.quill", good)
	office := g.in(t, "office", "seven dry towels")
	if token == again || len(token) != 43 {
		t.Errorf("tokens %s and %s", token, again)
	}
	g.is(t, token, "n.quill")
	g.is(t, office, "office")
	if who, _ := g.Who(office); who.Shown != "office" || who.Role != signin.Viewer {
		t.Errorf("%+v", who)
	}
	g.SignOut(token)
	g.is(t, token, "")
	g.is(t, again, "n.quill")
	g.SignOut(token) // once more is nothing
	third := g.in(t, "n.quill", good)
	g.SignOutEverywhere(third)
	for _, gone := range []string{token, again, third} {
		g.is(t, gone, "")
	}
	g.is(t, office, "office")
	g.wrote(t, "signed in: Niamh Quill: from 192.0.2.7", "signed in: Niamh Quill: from 192.0.2.7", "signed in: office: from 192.0.2.7",
		"signed out: Niamh Quill: ", "signed in: Niamh Quill: from 192.0.2.7", "signed out everywhere: Niamh Quill: ")
}

func TestRefused(t *testing.T) {
	g := newGate()
	for _, tt := range [][2]string{{"n.quill", "wrong"}, {"n.quill", ""}, {"n.quil", good}, {"", good}, {good, "n.quill"}, {"n.quill", "seven dry towels"}, {"N.QUILL", good}} {
		if token, who, err := g.SignIn(t.Context(), tt[0], tt[1], "192.0.2.7:1"); !errors.Is(err, signin.ErrWrong) || token != "" || who != (signin.Who{}) {
			t.Errorf("%q: %v, %v", tt, who, err)
		}
		g.now = g.now.Add(time.Minute)
	}
	if all := strings.Join(g.entries, "\n"); strings.Contains(all, good) || strings.Contains(all, "towels") || len(g.entries) != 7 || g.entries[2] != "sign-in refused: : from 192.0.2.7" {
		t.Errorf("the journal has:\n%s", all)
	}
	g.err = errors.New("people.passwords: line 3: ...")
	if _, _, err := g.SignIn(t.Context(), "n.quill", good, "192.0.2.8"); !errors.Is(err, g.err) || !g.Any() {
		t.Errorf("with unreadable accounts: %v", err)
	}
}

// TestForged: what is not a token that was given, is nobody.
func TestForged(t *testing.T) {
	g := newGate()
	token := g.in(t, "n.quill", good)
	raw, _ := base64.RawURLEncoding.DecodeString(token)
	raw[5] ^= 1
	sum := sha256.Sum256([]byte(token))
	stored := sha256.Sum256(func() []byte { b, _ := base64.RawURLEncoding.DecodeString(token); return b }())
	for name, forged := range map[string]string{
		"nothing": "", "short": token[:42], "long": token + "A", "padded": token + "=", "one bit": base64.RawURLEncoding.EncodeToString(raw),
		"what the record holds": base64.RawURLEncoding.EncodeToString(stored[:]), "hex of it": hex.EncodeToString(stored[:]),
		"hash of the text": base64.RawURLEncoding.EncodeToString(sum[:]), "a name": "n.quill", "huge": strings.Repeat("A", 1<<20),
		"same bits otherwise": token[:42] + string(token[42]+1),
	} {
		if who, ok := g.Who(forged); ok {
			t.Errorf("%s is %v", name, who)
		}
	}
	if strings.Contains(string(g.doc), token) || !strings.Contains(string(g.doc), hex.EncodeToString(stored[:])) {
		t.Errorf("the record has %s", g.doc)
	}
	g.is(t, token, "n.quill")
}

// TestSessionsEnd: by idleness, by age, by a new password, by removal; a new role counts at once.
func TestSessionsEnd(t *testing.T) {
	g := newGate()
	idle := g.in(t, "n.quill", good)
	daily := g.in(t, "n.quill", good)
	for day := range 29 {
		g.now = g.now.Add(24 * time.Hour)
		g.is(t, daily, "n.quill")
		if day == 8 {
			if strings.Count(string(g.doc), `"token"`) != 2 {
				t.Errorf("after 9 days: %s", g.doc)
			}
		}
	}
	g.is(t, idle, "")
	g.now = g.now.Add(24*time.Hour - 1)
	g.is(t, daily, "n.quill")
	g.now = g.now.Add(1)
	g.is(t, daily, "")

	token := g.in(t, "n.quill", good)
	g.now = g.now.Add(signin.LongestIdle - 1)
	g.is(t, token, "n.quill")
	g.now = g.now.Add(signin.LongestIdle)
	g.is(t, token, "")

	token = g.in(t, "n.quill", good)
	g.accounts[0].Role = signin.Viewer
	if who, ok := g.Who(token); !ok || who.Role != signin.Viewer {
		t.Errorf("with a new role: %v", who)
	}
	g.accounts[0].Hash = cheap.NewHash(good)
	g.is(t, token, "")
	token = g.in(t, "n.quill", good)
	before := g.accounts
	g.accounts = g.accounts[1:]
	g.is(t, token, "")
	g.accounts = before
	g.is(t, token, "") // for good
}

// TestRestart: sessions go on over a restart, with the time that passed; a replayed token of one that ended does not.
func TestRestart(t *testing.T) {
	g := newGate()
	token, gone := g.in(t, "n.quill", good), g.in(t, "n.quill", good)
	g.SignOut(gone)
	g.restart(t, 9*24*time.Hour)
	g.is(t, token, "n.quill")
	g.is(t, gone, "")
	g.now = g.now.Add(2 * time.Hour)
	g.is(t, token, "n.quill") // is written: it came
	g.restart(t, 10*24*time.Hour-time.Second)
	g.is(t, token, "n.quill")
	g.now = g.now.Add(2 * time.Hour)
	g.is(t, token, "n.quill")
	g.restart(t, 10*24*time.Hour)
	g.is(t, token, "")

	g = newGate()
	for _, doc := range []string{"", "[]", `{"at":1,"sessions":[{"token":3}]}`} {
		if err := g.Restore(g.now, []byte(doc)); err == nil || !strings.HasPrefix(err.Error(), "sign-ins: ") {
			t.Errorf("%q: %v", doc, err)
		}
	}
	if err := g.Restore(g.now, []byte(`{"at":1,"sessions":[{"token":"00ff","name":"n.quill"},{"token":"zz"}]}`)); err != nil {
		t.Error(err)
	}
	token = g.in(t, "n.quill", good)
	g.full = errors.New("no space left on device")
	other := g.in(t, "n.quill", good)
	g.is(t, other, "n.quill") // a full disk lets people in all the same
	if len(g.trouble) != 1 || g.trouble[0].Error() != "sign-ins not kept: no space left on device" {
		t.Errorf("%v", g.trouble)
	}
	g.is(t, token, "n.quill")
}

// TestBounded: the one used least lately ends for a new one.
func TestBounded(t *testing.T) {
	g := newGate()
	var tokens []string
	for range 21 {
		tokens = append(tokens, g.in(t, "n.quill", good))
		g.now = g.now.Add(time.Second)
		g.is(t, tokens[0], "n.quill")
	}
	g.is(t, tokens[0], "n.quill")
	g.is(t, tokens[1], "")
	g.is(t, tokens[2], "n.quill")
	if n := strings.Count(string(g.doc), `"token"`); n != 20 {
		t.Errorf("%d are kept, want 20", n)
	}
}

func TestLimits(t *testing.T) {
	g := newGate()
	try := func(name, password, from string) error {
		_, _, err := g.SignIn(t.Context(), name, password, from)
		return err
	}
	wait := func(err error) time.Duration {
		if w, ok := errors.AsType[*signin.WaitError](err); ok {
			return w.For
		}
		return 0
	}
	for range 50 { // good ones do not count
		if err := try("n.quill", good, "192.0.2.7"); err != nil {
			t.Fatal(err)
		}
	}
	for i := range 10 {
		if err := try(fmt.Sprint("guess", i), good, "192.0.2.7"); !errors.Is(err, signin.ErrWrong) {
			t.Fatalf("try %d: %v", i, err)
		}
	}
	if err := try("n.quill", good, "192.0.2.7"); wait(err) != time.Minute || err.Error() != "too many wrong tries; wait 1m0s" {
		t.Errorf("after ten wrong ones: %v", err)
	}
	if err := try("n.quill", good, "192.0.2.8"); err != nil {
		t.Errorf("from another address: %v", err)
	}
	g.now = g.now.Add(59 * time.Second)
	if err := try("n.quill", good, "192.0.2.7"); wait(err) != time.Second {
		t.Errorf("a second too early: %v", err)
	}
	g.now = g.now.Add(time.Second)
	if err := try("n.quill", good, "192.0.2.7"); err != nil {
		t.Errorf("in time: %v", err)
	}
	g.now = g.now.Add(time.Hour)
	for i := range 30 { // one name from many addresses, and many addresses of one network
		if err := try("office", "guess", fmt.Sprintf("198.51.100.%d", i)); !errors.Is(err, signin.ErrWrong) {
			t.Fatalf("try %d: %v", i, err)
		}
	}
	if err := try("office", "seven dry towels", "203.0.113.9"); wait(err) != 30*time.Second {
		t.Errorf("after thirty wrong ones: %v", err)
	}
	for i := range 10 {
		_ = try("who", "x", fmt.Sprintf("[2001:db8::%d]:443", i+1))
	}
	if err := try("n.quill", good, "[2001:db8::ffff]:443"); wait(err) == 0 {
		t.Errorf("from the same /64: %v", err)
	}
	if err := try("n.quill", good, "[2001:db8:0:1::1]:443"); err != nil {
		t.Errorf("from another /64: %v", err)
	}
}

// TestBursts: somebody who guesses writes one line a minute, with their number.
func TestBursts(t *testing.T) {
	g := newGate()
	for range 180 {
		_, _, _ = g.SignIn(t.Context(), "n.quill", "guess", "192.0.2.7")
		g.now = g.now.Add(time.Second)
	}
	again := "sign-in refused: : 60 in 1m0s, the last for Niamh Quill, from 192.0.2.7"
	g.wrote(t, "sign-in refused: : for Niamh Quill, from 192.0.2.7", again, again)
}

// TestBusy: no more than a few wait for the one hashing; who gives up leaves.
func TestBusy(t *testing.T) {
	g := newGate()
	release := g.Hold()
	ctx, cancel := context.WithCancel(t.Context())
	errs := make(chan error, 20)
	for i := range 20 {
		go func() {
			_, _, err := g.SignIn(ctx, "n.quill", good, fmt.Sprintf("192.0.2.%d", i))
			errs <- err
		}()
	}
	for range 12 {
		if err := <-errs; !errors.Is(err, signin.ErrBusy) {
			t.Errorf("%v, want busy", err)
		}
	}
	cancel()
	for range 8 {
		if err := <-errs; !errors.Is(err, context.Canceled) {
			t.Errorf("%v, want cancelled", err)
		}
	}
	release()
	g.in(t, "n.quill", good)
}

// TestWithin: what lasts ends with the session.
func TestWithin(t *testing.T) {
	g := newGate()
	one, two := g.in(t, "n.quill", good), g.in(t, "n.quill", good)
	ctx, cancel, ok := g.Within(t.Context(), one)
	defer cancel()
	other, stop, ok2 := g.Within(t.Context(), two)
	if !ok || !ok2 || ctx.Err() != nil {
		t.Fatal("not within")
	}
	g.SignOut(one)
	<-ctx.Done()
	if other.Err() != nil {
		t.Error("the other ended too")
	}
	stop()
	if _, _, ok := g.Within(t.Context(), one); ok {
		t.Error("within a session that ended")
	}
	if until, ok := other.Deadline(); !ok || time.Until(until) > signin.LongestSession {
		t.Errorf("it may last until %v", until)
	}
}

// BenchmarkSameTime: the time of a wrong name over that of a wrong password. Measured interleaved.
func BenchmarkSameTime(b *testing.B) {
	g := newGate()
	g.accounts[0].Hash = signin.DefaultCost.NewHash(good)
	g.Door = signin.New(signin.Options{Now: func() collector.Moment { return g.now }, Accounts: func() ([]signin.Account, error) { return g.accounts, nil }})
	var took [2]time.Duration
	turn := 0
	for b.Loop() {
		for n := range 2 {
			i := (n + turn) % 2 // what came before must not count
			name := [...]string{"nobody", "n.quill"}[i]
			g.now = g.now.Add(time.Hour)
			start := time.Now()
			_, _, _ = g.SignIn(b.Context(), name, "guess", "192.0.2.7")
			took[i] += time.Since(start)
		}
		turn++
	}
	b.ReportMetric(float64(took[0])/float64(took[1]), "unknown/wrong")
	b.ReportMetric(float64(took[1].Milliseconds())/float64(b.N), "ms/hash")
}
