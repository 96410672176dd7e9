package minutes

import (
	"encoding/json"
	"math"
)

// Known is a number that may not be known: NaN, which JSON tells as null.
type Known float64

// Unknown is the number that is not known.
func Unknown() Known { return Known(math.NaN()) }

// Is reports whether the number is known.
func (k Known) Is() bool { return !math.IsNaN(float64(k)) && !math.IsInf(float64(k), 0) }

// MarshalJSON returns the number or null.
func (k Known) MarshalJSON() ([]byte, error) {
	if !k.Is() {
		return []byte("null"), nil
	}
	return json.Marshal(float64(k))
}

// UnmarshalJSON takes a number or null.
func (k *Known) UnmarshalJSON(text []byte) error {
	if string(text) == "null" {
		*k = Unknown()
		return nil
	}
	return json.Unmarshal(text, (*float64)(k))
}
