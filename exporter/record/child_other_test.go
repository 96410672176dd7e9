//go:build !linux

package record_test

import "errors"

var errNoChild = errors.New("this child is for another system")

func fillDisk() error     { return errNoChild }
func fillLimit() error    { return errNoChild }
func openAsNobody() error { return errNoChild }
