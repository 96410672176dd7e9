package units_test

import (
	"fmt"

	"roundsman/collector/units"
)

func ExampleParseQuantity() {
	q, err := units.ParseQuantity("80 psi")
	if err != nil {
		fmt.Println(err)
		return
	}
	bar, _ := units.Parse("bar")
	v, _ := q.In(bar)
	fmt.Printf("%v is %.4f %s, a %s\n", q, v, bar, bar.Dimension())

	_, err = units.ParseQuantity("5,5 bra")
	fmt.Println(err)
	// Output:
	// 80 psi is 5.5158 bar, a pressure
	// "5,5 bra": "," does not belong in a number: write 5.5 with a point, 1000 without a separator
}

func ExampleConvert() {
	gpm, _ := units.Parse("gpm")
	base, metric := units.Base(gpm)
	factor, _, _ := units.Convert(gpm, base)
	fmt.Printf("1 %s is %.10f %s, exported as %s\n", gpm, factor, base, metric)
	// Output:
	// 1 gal/min is 0.0630901964 L/s, exported as flow_liters_per_second
}
