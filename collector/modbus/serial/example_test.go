package serial_test

import (
	"fmt"

	"roundsman/collector/modbus/serial"
)

// The times of a line: a character and the silence of 3.5 of them, fixed above 19,200 baud.
func ExampleMode() {
	for _, baud := range []int{9600, 19200, 115200} {
		m := serial.Mode{Baud: baud, Parity: 'E', StopBits: 1}
		fmt.Println(m, m.Char(), m.Silence(), m.Check())
	}
	fmt.Println(serial.Mode{Baud: 19200, Parity: 'X', StopBits: 1}.Check())
	// Output:
	// 9600 8E1 1.145833ms 4.010415ms <nil>
	// 19200 8E1 572.916µs 2.005206ms <nil>
	// 115200 8E1 95.486µs 1.75ms <nil>
	// parity 'X': neither N, E nor O
}
