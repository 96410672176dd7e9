package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"

	"roundsman/collector/modbus/serial"
	"roundsman/configs"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/heartbeat"
	"roundsman/exporter/callout/mail"
	"roundsman/exporter/callout/publish"
	"roundsman/exporter/callout/push"
	"roundsman/exporter/callout/sms"
	"roundsman/exporter/callout/webhook"
)

// modem is a modem with the settings it was made of.
type modem struct {
	channel string
	of      configs.Modem
	*sms.Modem
}

// same reports whether a modem of these settings need not be made anew. How the PIN is read cannot be compared; it is
// read when the SIM asks for it, which a modem that runs is past.
func (m *modem) same(channel string, of *configs.Modem) bool {
	a, b := m.of, of
	return m.channel == channel && a.Device == b.Device && a.Baud == b.Baud && a.Validity == b.Validity && a.Ring == b.Ring &&
		a.Receipts == b.Receipts && a.MaxParts == b.MaxParts && a.Country == b.Country
}

// ways are the channels of a contacts file, made, with what runs beside them.
type ways struct {
	channels map[string]callout.Channel
	modems   []*modem
	beat     *heartbeat.Beat // nil: none
}

// wayMaker makes channels.
type wayMaker struct {
	log    *slog.Logger
	folder string // for marks that outlive a restart; "": they do not
	alive  func() error
	phones *push.Phones // on which people installed the panel
}

// make makes the channels. Those that cannot be are left out, with errors that name them; what waits for them goes by the
// next. Modems of before that did not change are taken over: a SIM is not started anew for a change of the rota.
func (w *wayMaker) make(c *configs.Callout, before []*modem) (*ways, error) {
	out := &ways{channels: map[string]callout.Channel{}}
	var errs []error
	for i := range c.Channels {
		ch := &c.Channels[i]
		if err := w.add(out, ch, before); err != nil {
			errs = append(errs, fmt.Errorf("channel %s: %w", ch.Name, err))
		}
	}
	for i := range c.Channels { // a voice rings over a modem that may stand behind it
		if ch := &c.Channels[i]; ch.Kind == "voice" {
			for _, m := range out.modems {
				if m.channel == ch.Over {
					out.channels[ch.Name] = m.Voice()
				}
			}
		}
	}
	if c.Heartbeat != nil {
		o := c.Heartbeat.Options
		o.Alive = w.alive
		if c.Heartbeat.Over != "" {
			o.Channel = out.channels[c.Heartbeat.Over]
		}
		beat, err := heartbeat.New(o)
		if err != nil {
			errs = append(errs, err)
		}
		out.beat = beat
	}
	return out, errors.Join(errs...)
}

// add makes one channel, but for voices.
func (w *wayMaker) add(out *ways, ch *configs.Channel, before []*modem) error {
	var made callout.Channel
	var err error
	switch ch.Kind {
	case "sms":
		m, e := w.modem(ch, before)
		if e != nil {
			return e
		}
		out.modems = append(out.modems, m)
		made = m.Texts()
	case "mail":
		made, err = mail.New(*ch.Mail)
	case "webhook":
		made, err = webhook.New(*ch.Webhook)
	case "mqtt":
		made, err = publish.New(*ch.MQTT)
	case "push":
		p, e := push.New(*ch.Push)
		if e != nil {
			return e
		}
		made = w.phones.Through(p)
	}
	if err == nil && made != nil {
		out.channels[ch.Name] = made
	}
	return err
}

func (w *wayMaker) modem(ch *configs.Channel, before []*modem) (*modem, error) {
	for _, m := range before {
		if m.same(ch.Name, ch.Modem) {
			return m, nil
		}
	}
	o := ch.Modem.Options
	mode := serial.Mode{Baud: ch.Modem.Baud, Parity: 'N', StopBits: 1}
	o.Open = func(context.Context) (io.ReadWriteCloser, error) { return serial.Open(ch.Modem.Device, mode) }
	o.Log = w.log.With("channel", ch.Name)
	if w.folder != "" {
		o.Guard = sms.MarkFile(filepath.Join(w.folder, "pin-refused."+ch.Name))
	}
	m, err := sms.New(o)
	return &modem{channel: ch.Name, of: *ch.Modem, Modem: m}, err
}

// close lets go of what the channels hold open.
func (w *ways) close() error {
	var errs []error
	for _, c := range w.channels {
		if c, ok := c.(io.Closer); ok {
			errs = append(errs, c.Close())
		}
	}
	return errors.Join(errs...)
}
