package device

const (
	encapsulated         = 0x2B // AP 6.21
	deviceIdentification = 0x0E
	regularIndividual    = 0x82 // conformity: regular objects, stream and individual access
)

// Identity is what function code 43/14 tells (AP 6.21). The first three are
// the basic objects, the rest the regular ones. The zero value means that the
// device does not know the function.
type Identity struct {
	Vendor, Product, Revision     string // objects 0 to 2
	URL, Name, Model, Application string // objects 3 to 6
}

func (id Identity) objects() []string {
	return []string{id.Vendor, id.Product, id.Revision, id.URL, id.Name, id.Model, id.Application}
}

func (id Identity) answer(pdu []byte) []byte {
	if len(pdu) != 4 {
		return exception(pdu[0], IllegalDataValue)
	}
	code, object := pdu[2], int(pdu[3])
	all := id.objects()
	switch code {
	case 1: // basic
		return id.stream(code, object, all[:3])
	case 2, 3: // regular; an extended request gets what the device has
		return id.stream(code, object, all)
	case 4:
		if object >= len(all) {
			return exception(pdu[0], IllegalDataAddress)
		}
		out := append(identityHead(code, 1), byte(object))
		return appendText(out, all[object])
	}
	return exception(pdu[0], IllegalDataValue)
}

func identityHead(code, objects byte) []byte {
	return []byte{encapsulated, deviceIdentification, code, regularIndividual, 0, 0, objects}
}

// stream lists objects from first on, as many as a PDU holds; a first object
// that does not exist means the beginning.
func (id Identity) stream(code byte, first int, all []string) []byte {
	if first >= len(all) {
		first = 0
	}
	out := identityHead(code, 0)
	for i := first; i < len(all); i++ {
		if len(out)+2+len(all[i]) > maxPDU && i > first {
			out[4], out[5] = 0xFF, byte(i) // more follows, and from where
			break
		}
		out = appendText(append(out, byte(i)), all[i])
		out[6]++
	}
	return out
}

// appendText cuts a text that would not fit into any PDU.
func appendText(out []byte, text string) []byte {
	text = text[:min(len(text), maxPDU-len(out)-1)]
	return append(append(out, byte(len(text))), text...)
}
