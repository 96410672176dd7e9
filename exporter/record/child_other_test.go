//go:build !linux

package record_test

func fillDisk() error     { return errNoChild }
func fillLimit() error    { return errNoChild }
func openAsNobody() error { return errNoChild }
