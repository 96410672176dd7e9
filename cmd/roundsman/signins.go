package main

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"sync"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter/panel"
	"roundsman/exporter/record"
	"roundsman/exporter/signin"
)

// signInPaper is the record's name for who is signed in.
const signInPaper = "sign-ins"

// accountsEvery is how often it is looked whether the file of accounts was changed.
const accountsEvery = time.Second

// signIns builds the door of the pages and lets those in again who were in before.
func (d *daemon) signIns(opts *panel.Options, path string) {
	if path == "" {
		return // the demo has no files to keep people in
	}
	file := newAccountsFile(beside(path, d.site.Panel.Passwords), d.log)
	d.judge.self.others = append(d.judge.self.others, file.wrong)
	set := signin.Options{Accounts: file.accounts, Now: d.clock.Now, Trouble: func(err error) { d.log.Error("sign-ins", "error", err) }}
	if kept := d.set.store(d.record); kept != nil {
		set.Book = book{kept}
	}
	opts.Door = signin.New(set)
	if d.record != nil {
		d.letInAgain(opts.Door)
	}
	opts.Viewing = viewing(d.site, opts.Door)
	opts.Hosts = append(opts.Hosts, d.site.Listen.Names...)
	if d.cert != nil {
		opts.Certificate = func() panel.Certificate { return shownCertificate(d.site, d.cert.Leaf()) }
	}
}

func (d *daemon) letInAgain(door *signin.Door) {
	kept, _ := d.record.Restore() // what could not be read was said when the judge restored
	p, ok := kept.Papers[signInPaper]
	if !ok {
		return
	}
	if err := door.Restore(p.At, p.Doc); err != nil {
		d.log.Error("everybody must sign in anew", "error", err)
	}
}

// viewing says who may look: what the site file says, or people once somebody has a password and others can reach the pages.
func viewing(site *configs.Site, door *signin.Door) func() panel.Viewing {
	return func() panel.Viewing {
		switch site.Panel.View {
		case configs.ViewPeople:
			return panel.BySigned
		case configs.ViewAnyone:
			return panel.ByAnyone
		}
		if site.Listen.Loopback() || !door.Any() {
			return panel.ByAnyone
		}
		return panel.ByPeople
	}
}

// book keeps sign-ins with the record. The judge writes to it too; the record takes turns.
type book struct{ record store }

// Keep writes who is in, and a line for the journal.
func (b book) Keep(at collector.Moment, doc []byte, e signin.Entry) error {
	var c record.Change
	c.KeepPaper(signInPaper, record.Paper{At: at, Doc: doc})
	if e.Kind != "" {
		c.Lines = []record.Line{{Kind: record.Kind(e.Kind), Who: e.Who, Why: e.Why}}
	}
	return b.record.Commit(&c)
}

// accountsFile reads the file of accounts, and anew when it was changed. A broken one never takes the place of a good
// one, and one that is gone never means that nobody needs to sign in. It is safe for simultaneous use.
type accountsFile struct {
	path string
	log  *slog.Logger
	now  func() time.Time // only differences count

	mu     sync.Mutex // guards what follows
	looked time.Time
	info   fs.FileInfo // of the file that was read last; nil: none
	list   []signin.Account
	had    bool  // there were accounts in this run
	err    error // why nobody can be told apart
	wrongs string
}

func newAccountsFile(path string, log *slog.Logger) *accountsFile {
	return &accountsFile{path: path, log: log, now: time.Now}
}

// accounts returns those who may sign in now.
func (f *accountsFile) accounts() ([]signin.Account, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if now := f.now(); f.looked.IsZero() || now.Sub(f.looked) >= accountsEvery {
		f.looked = now
		f.look()
	}
	return f.list, f.err
}

// wrong is what is wrong with the file on disk; "" for nothing.
func (f *accountsFile) wrong() string {
	_, _ = f.accounts()
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.wrongs
}

func (f *accountsFile) look() {
	info, err := os.Stat(f.path)
	if errors.Is(err, fs.ErrNotExist) && !f.had && f.wrongs == "" {
		f.info = nil
		return // nobody signs in here
	}
	if err == nil && f.info != nil && os.SameFile(info, f.info) && info.ModTime().Equal(f.info.ModTime()) && info.Size() == f.info.Size() && info.Mode() == f.info.Mode() {
		return
	}
	var list []signin.Account
	if err == nil {
		list, err = readAccounts(f.path)
	}
	f.info = info
	if err != nil {
		f.keep(err)
		return
	}
	if f.wrongs != "" {
		f.log.Info("accounts are read again")
	}
	f.list, f.had, f.err, f.wrongs = list, f.had || len(list) > 0, nil, ""
}

// keep goes on with the accounts there were, if there were any.
func (f *accountsFile) keep(err error) {
	if err.Error() != f.wrongs {
		f.log.Error("accounts", "error", err)
	}
	f.wrongs = err.Error()
	if !f.had {
		f.err = err
	}
}

// readAccounts reads a file of accounts that nobody else can read.
func readAccounts(path string) ([]signin.Account, error) {
	text, err := configs.ReadPrivate(path, signin.MostBytes)
	if err != nil {
		return nil, err
	}
	list, err := signin.Parse(string(text))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return list, nil
}
