// Package modemtest is a modem that is none: it speaks AT commands strictly by 3GPP TS 27.005, TS 27.007 and ITU-T
// V.250, keeps what it is given to send, and does on demand what real modems and networks do at the worst moment.
//
//	m := modemtest.New()
//	defer m.Close()
//	modem, err := sms.New(sms.Options{Open: m.Open})
//	m.Set(func(f *modemtest.Faults) { f.SendErrors = []int{500} })
//	m.Deliver("+353871234567", "ok 3", time.Now())
//
// All its times are waited on timers, so it works in the fake time of testing/synctest.
package modemtest

import (
	"context"
	"io"
	"net"
	"sync"
	"time"
)

// Faults say how the modem, the card and the network behave. New gives good ones.
type Faults struct {
	SIM       string // the answer to AT+CPIN?: "READY", "SIM PIN", "SIM PUK"; "" no card
	PIN       string // that opens it
	Tries     int    // PINs that may be given; at 0 it is locked
	NoCounter bool   // AT+CPINR is not known
	SIMBusy   int    // how often the card is busy first

	CREG, CEREG int  // registration; -1: the command is not known
	RSSI        int  // of AT+CSQ
	Room        int  // messages the card holds
	Stuck       bool // they cannot be deleted

	SendErrors []int         // +CMS ERROR of the next messages, one each; 0 none
	SendDelay  time.Duration // of the network
	NoPrompt   bool          // after AT+CMGS
	NoResult   bool          // of a message that was sent
	HangUpAt   string        // the port vanishes: "prompt" before it, "pdu" after the message was sent

	Split     bool     // each byte comes alone
	Garbage   string   // between any two lines
	Midway    []string // unsolicited lines, sent before the result of each command
	EchoStays bool     // ATE0 is refused
	Mute      bool     // nothing is answered
	Babble    bool     // only nonsense is answered
	Refused   []string // commands that are not known, without AT: "+CHUP"
	Direct    bool     // texts are handed over (+CMT) instead of stored

	Alert     time.Duration // from dialling until the other side rings; 0 never
	CallEnds  time.Duration // from dialling until the call ends by itself; 0 never
	CallEnd   string        // with this result
	Answered  time.Duration // from dialling until somebody answers; 0 nobody
	LateOK    bool          // ATD gives OK only when somebody answers
	DialError string        // the result of ATD instead of OK
}

// Call is a call that was made.
type Call struct {
	To     string
	Begun  time.Time
	Ended  time.Time // zero: it still goes on
	HungUp bool      // by us
}

// Modem is the emulated modem. Its methods may be called from any goroutine.
type Modem struct {
	mu      sync.Mutex
	f       Faults
	wg      sync.WaitGroup
	ports   []io.Closer
	line    *wire // the present connection, nil none
	opened  int
	refuse  error // of the next Open
	texts   []Text
	calls   []Call
	pins    []string
	store   map[int]stored
	current string // memory selected
	mr      int
	ref     byte

	// Settings of the modem; a new connection keeps them, as a modem does that was not switched off.
	echo     bool
	pduMode  bool
	errors   int // +CMEE
	announce bool
	reports  bool
}

type stored struct {
	pdu  string
	read bool
}

// New returns a modem with a card that needs no PIN, registered at home with good signal.
func New() *Modem {
	return &Modem{
		f:    Faults{SIM: "READY", Tries: 3, CREG: 1, CEREG: 1, RSSI: 20, Room: 20, Alert: 3 * time.Second},
		echo: true, store: map[int]stored{}, current: "SM", mr: 6,
	}
}

// Set changes the faults.
func (m *Modem) Set(change func(*Faults)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	change(&m.f)
}

// Open connects to the modem; it is what a program opens as its port. The earlier connection is cut.
func (m *Modem) Open(context.Context) (io.ReadWriteCloser, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.refuse != nil {
		return nil, m.refuse
	}
	near, far := net.Pipe()
	m.ports = append(m.ports, far)
	m.wg.Go(func() { _ = m.Serve(far) })
	return near, nil
}

// Vanish makes the port disappear: it hangs up, and Open returns err until it is called again with nil.
func (m *Modem) Vanish(err error) {
	m.mu.Lock()
	m.refuse = err
	m.mu.Unlock()
	m.HangUp()
}

// HangUp cuts the connection.
func (m *Modem) HangUp() {
	m.mu.Lock()
	w := m.line
	m.mu.Unlock()
	if w != nil {
		w.close()
	}
}

// Close cuts all connections and waits until their goroutines are gone.
func (m *Modem) Close() {
	m.mu.Lock()
	for _, p := range m.ports {
		p.Close()
	}
	m.mu.Unlock()
	m.wg.Wait()
}

// Opened returns how often a connection was served.
func (m *Modem) Opened() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.opened
}

// Texts returns the messages that the network took, in order.
func (m *Modem) Texts() []Text {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]Text(nil), m.texts...)
}

// Calls returns the calls that were made.
func (m *Modem) Calls() []Call {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]Call(nil), m.calls...)
}

// PINs returns the PINs that were given, right or wrong.
func (m *Modem) PINs() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]string(nil), m.pins...)
}

// Stored returns how many messages the card holds.
func (m *Modem) Stored() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.store)
}

// Say sends an unsolicited line.
func (m *Modem) Say(text string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.say(text)
}

func (m *Modem) say(text string) {
	if m.line != nil {
		m.line.lines(text)
	}
}

// Deliver lets a text arrive, in parts if it is long.
func (m *Modem) Deliver(from, text string, at time.Time) {
	m.mu.Lock()
	m.ref++
	pdus := DeliverPDUs(from, text, at, m.ref)
	m.mu.Unlock()
	for _, p := range pdus {
		m.DeliverPDU(p)
	}
}

// DeliverPDU lets a PDU arrive. It reports whether there was room for it.
func (m *Modem) DeliverPDU(pdu string) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.f.Direct && m.line != nil && m.announce {
		m.line.lines("+CMT: ,"+itoa(bodyLength(pdu)), pdu)
		return true
	}
	for i := 1; i <= m.f.Room; i++ {
		if _, taken := m.store[i]; !taken {
			m.store[i] = stored{pdu: pdu}
			if m.announce {
				m.say(`+CMTI: "SM",` + itoa(i))
			}
			return true
		}
	}
	return false
}

// Report lets a status report arrive.
func (m *Modem) Report(to string, ref int, at time.Time, status byte) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.line != nil && m.reports {
		pdu := ReportPDU(to, ref, at, at, status)
		m.line.lines("+CDS: "+itoa(bodyLength(pdu)), pdu)
	}
}

// wire is one connection: what is sent goes through a queue, so that the modem never waits for the other side to read.
type wire struct {
	rw    io.ReadWriteCloser
	mu    sync.Mutex
	more  *sync.Cond
	queue []byte
	cut   bool
}

func newWire(rw io.ReadWriteCloser) *wire {
	w := &wire{rw: rw}
	w.more = sync.NewCond(&w.mu)
	return w
}

// put queues bytes as they are.
func (w *wire) put(text string) {
	w.mu.Lock()
	w.queue = append(w.queue, text...)
	w.mu.Unlock()
	w.more.Signal()
}

// lines queues lines framed by CR LF (V.250, clause 5.7.1).
func (w *wire) lines(texts ...string) {
	for _, t := range texts {
		w.put("\r\n" + t + "\r\n")
	}
}

func (w *wire) close() {
	w.mu.Lock()
	w.cut = true
	w.mu.Unlock()
	w.more.Signal()
	w.rw.Close()
}

// send writes the queue until the connection ends.
func (w *wire) send(split func() bool) {
	for {
		alone := split()
		w.mu.Lock()
		for len(w.queue) == 0 && !w.cut {
			w.more.Wait()
		}
		chunk := w.queue[:min(len(w.queue), 64)]
		if alone && len(chunk) > 1 {
			chunk = chunk[:1]
		}
		w.queue = w.queue[len(chunk):]
		cut := w.cut
		w.mu.Unlock()
		if cut {
			return
		}
		if _, err := w.rw.Write(chunk); err != nil {
			return
		}
	}
}
