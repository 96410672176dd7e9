package payload_test

import (
	"fmt"

	"roundsman/collector/mqtt/payload"
)

// Two values of one message in one walk, and one that is written with a decimal comma.
func ExampleFinder_Find() {
	level, _ := payload.ParsePointer("/d/0/level")
	stamp, _ := payload.ParsePointer("/ts")
	finder, _ := payload.NewFinder(level, stamp)
	found := make([]payload.Value, 2)
	if err := finder.Find([]byte(`{"ts":1764057600000,"d":[{"level":"1.92 m"}]}`), found); err != nil {
		fmt.Println(err)
	}
	n, unit, err := payload.Number(found[0])
	fmt.Println(n, string(unit), err)
	fmt.Println(payload.Stamp(found[1]))
	_, _, err = payload.Number(payload.Whole([]byte("1,92")))
	fmt.Println(err)
	// Output:
	// 1.92 m <nil>
	// 2025-11-25 08:00:00 +0000 UTC <nil>
	// decimal comma: a decimal point is needed
}
