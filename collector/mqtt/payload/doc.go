// Package payload finds and reads the values in the messages that devices
// publish: bare numbers, numbers with a unit, and JSON documents in which an
// RFC 6901 pointer names the place.
//
// Nothing is built from a document: a Finder walks it once, checks all of it
// against RFC 8259, and returns the pieces that its pointers name, as slices of
// the payload. Values are plain numbers as sent; units and meaning are the
// caller's.
//
//	level, _ := payload.ParsePointer("/level")
//	finder, _ := payload.NewFinder(level)
//	found := make([]payload.Value, 1)
//	err := finder.Find([]byte(`{"level":1.92,"ts":1764057600}`), found)
//	n, err := payload.Number(found[0])
package payload
