package tank_test

import (
	"fmt"

	"roundsman/collector/tank"
)

func ExampleHorizontalCylinder() {
	t, err := tank.HorizontalCylinder(1.8, 4.2, tank.Flat())
	if err != nil {
		fmt.Println(err)
		return
	}
	full := tank.Capacity(t)
	for _, share := range []float64{0.2, 0.5, 0.9} {
		v := t.Volume(share * t.Height())
		fmt.Printf("level %2.0f %%: %6.3f m3, %5.2f %% of the volume\n", share*100, v, v/full*100)
	}
	fmt.Printf("5 m3 stand %.3f m high\n", tank.Level(t, 5))
	// Output:
	// level 20 %:  1.522 m3, 14.24 % of the volume
	// level 50 %:  5.344 m3, 50.00 % of the volume
	// level 90 %: 10.131 m3, 94.80 % of the volume
	// 5 m3 stand 0.854 m high
}

func ExampleTorispherical() {
	const d = 1.8
	t, _ := tank.HorizontalCylinder(d, 4.2, tank.Torispherical(d, 0.1*d)) // DIN 28011
	fmt.Printf("%.3f m3\n", tank.Capacity(t))
	_, err := tank.HorizontalCylinder(d, 4.2, tank.Torispherical(0.5, 0.1))
	fmt.Println(err)
	// Output:
	// 11.842 m3
	// ends: crown: a radius of 0.5 m does not reach across a tank of 1.8 m
}

func ExampleHead() {
	fmt.Printf("%.4f m of water at 15 degC\n", tank.Head(24525, tank.WaterDensity(15)))
	// Output: 2.5031 m of water at 15 degC
}
