package push

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"

	"roundsman/exporter/callout"
)

// Fan sends a message for a person to each of their phones. It implements callout.Channel.
type Fan struct {
	*Channel
	phones *Phones
}

// Send hands the message to the push service of every phone of the person in m.To, all at once. One that took it is
// enough: nobody is called twice because a second phone is out of reach. Phones whose service no longer knows them are
// forgotten. If no phone is left the error wraps callout.ErrForGood, so that the person's next address is tried at once;
// the address itself stays, because a phone may be installed again.
func (f *Fan) Send(ctx context.Context, m *callout.Message) (callout.Receipt, error) {
	person, ok := strings.CutPrefix(m.To, Installed+" ")
	if !ok {
		return f.Channel.Send(ctx, m)
	}
	list := f.phones.of(person)
	errs := make([]error, len(list))
	var wg sync.WaitGroup
	for i := range list {
		wg.Go(func() { errs[i] = f.one(ctx, m, &list[i]) })
	}
	wg.Wait()
	took := 0
	for _, err := range errs {
		if err == nil {
			took++
		}
	}
	if took > 0 {
		return callout.Receipt{Reference: fmt.Sprintf("%d of %d phones", took, len(list))}, nil
	}
	return callout.Receipt{}, verdict(person, errs)
}

// one sends to one phone. It may be called from several goroutines at once: a Channel's Send keeps nothing.
func (f *Fan) one(ctx context.Context, m *callout.Message, x *phone) error {
	key, err := f.PublicKey()
	if err != nil {
		return err
	}
	if key != x.Key {
		return fmt.Errorf("push: %w", callout.ForGood(fmt.Errorf("%s was installed with another key of the site: install it anew", x.Name)))
	}
	to := *m
	to.To = x.Subscription
	_, err = f.Channel.Send(ctx, &to)
	if errors.Is(err, callout.ErrGone) {
		f.phones.forget(x.ID)
	}
	return err
}

// verdict says what it means that no phone took a message: as long as one may take it later, that is worth another try.
func verdict(person string, errs []error) error {
	if len(errs) == 0 {
		return fmt.Errorf("push: %w", callout.ForGood(fmt.Errorf("%s installed the panel on no phone", person)))
	}
	var later, over []error
	for _, err := range errs {
		if errors.Is(err, callout.ErrForGood) || errors.Is(err, callout.ErrGone) {
			over = append(over, err)
		} else {
			later = append(later, err)
		}
	}
	if len(later) > 0 {
		return errors.Join(later...)
	}
	// not %w of each: that an address of one phone is gone must not end the person's
	return fmt.Errorf("push: %w", callout.ForGood(fmt.Errorf("no phone of %s takes it: %v", person, errors.Join(over...))))
}
