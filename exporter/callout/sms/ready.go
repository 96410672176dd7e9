package sms

import (
	"errors"
	"fmt"
)

// Ready tells without sending whether a text could go now: nil, or why not. It implements callout.Readier.
func (t *Texts) Ready() error { return t.m.ready() }

// Ready is that of Texts: what cannot send cannot ring.
func (v *Voice) Ready() error { return v.m.ready() }

func (m *Modem) ready() error {
	st := m.Status()
	switch {
	case !st.Ready && st.Problem != "":
		return errors.New(st.Problem)
	case !st.Ready:
		return errors.New("the modem is being started")
	case !st.Registered():
		return fmt.Errorf("%w: %s", ErrNetwork, st.Registration)
	}
	return nil
}
