package modbus

import (
	"cmp"
	"context"
	"errors"
	"fmt"

	gomodbus "github.com/goburrow/modbus"

	"roundsman/collector/modbus/wire"
	"roundsman/collector/sorting"
)

// Function 43 (0x2B) with MEI type 14 (0x0E) reads a device's identification (AP 6.21).
const (
	encapsulated   = 0x2B
	identification = 0x0E
	wholeCategory  = 3 // read codes 1 basic, 2 regular, 3 extended
)

// Object is one piece of a device's identification.
type Object struct {
	ID    byte
	Name  string // by AP 6.21; 'object 80' for the maker's own
	Value string
}

var objectNames = [...]string{
	"VendorName", "ProductCode", "MajorMinorRevision", "VendorUrl", "ProductName", "ModelName", "UserApplicationName",
}

func objectName(id byte) string {
	if int(id) < len(objectNames) {
		return objectNames[id]
	}
	return fmt.Sprintf("object %02X", id)
}

// Identify asks a unit who it is: all objects that its conformity level
// promises, in order of their ids. Many devices lack the function and answer
// with the Exception IllegalFunction, or with nothing. An answer whose lengths
// do not add up gives the objects before that place and an error.
func Identify(ctx context.Context, opts Options, unit uint8) ([]Object, error) {
	opts = opts.complete()
	if err := opts.check(); err != nil {
		return nil, err
	}
	r := newReader(opts)
	defer r.Close()
	if err := r.Connect(ctx); err != nil {
		return nil, fmt.Errorf("link %s: %w", opts.Name, err)
	}
	found := map[byte]string{}
	err := r.identify(unit, found)
	var out []Object
	for id, v := range found {
		out = append(out, Object{id, objectName(id), v})
	}
	sorting.Func(out, func(a, b Object) int { return cmp.Compare(a.ID, b.ID) })
	if err != nil {
		err = fmt.Errorf("link %s: unit %d: device identification: %w", opts.Name, unit, err)
	}
	return out, err
}

// identify collects category after category as far as the device goes.
func (r *reader) identify(unit uint8, found map[byte]string) error {
	for code := byte(1); code <= wholeCategory; code++ {
		level, err := r.category(unit, code, found)
		if err != nil {
			if code > 1 && isException(err) {
				return nil // promises more than it has
			}
			return err
		}
		if level&0x7F <= code {
			return nil
		}
	}
	return nil
}

func isException(err error) bool {
	var x Exception
	return errors.As(err, &x)
}

// category reads one category, which may come in parts, and returns the conformity level.
func (r *reader) category(unit, code byte, found map[byte]string) (level byte, err error) {
	object := byte(0)
	for {
		data, err := r.encapsulated(unit, []byte{identification, code, object})
		if err != nil {
			return 0, err
		}
		part, err := parseIdentification(data)
		for _, o := range part.objects {
			found[o.ID] = o.Value
		}
		if err != nil {
			return 0, err
		}
		if !part.more {
			return part.level, nil
		}
		if part.next <= object {
			return 0, &wire.Error{Reason: wire.Garbage, Detail: fmt.Sprintf("next object %02X after %02X", part.next, object)}
		}
		object = part.next
	}
}

// encapsulated makes one exchange with function 43, for which the library has no call.
func (r *reader) encapsulated(unit byte, data []byte) ([]byte, error) {
	p := r.packager(unit)
	request, err := p.Encode(&gomodbus.ProtocolDataUnit{FunctionCode: encapsulated, Data: data})
	if err != nil {
		return nil, plainError(err)
	}
	answer, err := r.Send(request)
	if err != nil {
		return nil, err
	}
	if err := p.Verify(request, answer); err != nil {
		return nil, plainError(err)
	}
	pdu, err := p.Decode(answer)
	switch {
	case err != nil:
		return nil, plainError(err)
	case pdu.FunctionCode != encapsulated && len(pdu.Data) == 1:
		return nil, Exception(pdu.Data[0])
	}
	return pdu.Data, nil
}

// identityPart is one answer to 43/14.
type identityPart struct {
	level   byte
	more    bool
	next    byte
	objects []Object
}

// parseIdentification reads the data behind the function code: MEI type, read
// code, conformity level, more follows, next object, number of objects, then id,
// length and text of each. On error the objects before the bad place are kept.
func parseIdentification(data []byte) (identityPart, error) {
	const head = 6
	bad := func(format string, args ...any) error {
		return &wire.Error{Reason: wire.WrongLength, Detail: fmt.Sprintf(format, args...)}
	}
	if len(data) < head || data[0] != identification {
		return identityPart{}, bad("identification of %d bytes", len(data))
	}
	part := identityPart{level: data[2], more: data[3] == 0xFF, next: data[4]}
	rest := data[head:]
	for range data[5] {
		if len(rest) < 2 || len(rest) < 2+int(rest[1]) {
			return part, bad("object list cut off after %d objects", len(part.objects))
		}
		n := 2 + int(rest[1])
		part.objects = append(part.objects, Object{ID: rest[0], Name: objectName(rest[0]), Value: words(rest[2:n], ABCD)})
		rest = rest[n:]
	}
	if len(rest) > 0 {
		return part, bad("%d bytes behind the last object", len(rest))
	}
	return part, nil
}
