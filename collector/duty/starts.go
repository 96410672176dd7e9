package duty

import (
	"fmt"
	"math"
	"time"
)

// HorsepowerKW is one mechanical horsepower in kilowatts (NIST SP 811, appendix B.8).
const HorsepowerKW = 0.74569987

// Allowed is how often a motor may be started.
type Allowed struct {
	PerHour float64
	Rest    time.Duration // least between two starts
	Row     float64       // hp of the table's row
}

// AllowedStarts returns the starts an hour allowed for a Design A or B polyphase
// motor of kW with 2, 4 or 6 poles and a load of wk2 lb ft2 (0: not known, then
// only the motor's own limit is used): the lesser of the table's A and B/Wk2
// (NEMA MG 10, table of allowable starts and minimum time between starts). A
// rating between two rows takes the larger.
//
// It holds for full voltage and frequency, and for a load torque that rises with
// the square of speed to 100 % at rated speed, as of a centrifugal pump.
// Anything else, and every motor on an inverter or soft starter, is for its maker to say.
func AllowedStarts(kW float64, poles int, wk2 float64) (Allowed, error) {
	column := poles/2 - 1
	if poles%2 != 0 || column < 0 || column > 2 {
		return Allowed{}, fmt.Errorf("%d poles: the table has 2, 4 and 6", poles)
	}
	if !(kW > 0) {
		return Allowed{}, fmt.Errorf("%v kW is not above 0", kW)
	}
	if !(wk2 >= 0) || math.IsInf(wk2, 0) {
		return Allowed{}, fmt.Errorf("%v lb ft2 is below 0", wk2)
	}
	hp := kW / HorsepowerKW
	for _, row := range mg10 {
		if hp > row.hp*(1+1e-6) {
			continue
		}
		c := row.poles[column]
		a := Allowed{c.a, time.Duration(c.c) * time.Second, row.hp}
		if wk2 > 0 {
			a.PerHour = min(a.PerHour, c.b/wk2)
		}
		return a, nil
	}
	return Allowed{}, fmt.Errorf("%.4g kW is above the table's 250 hp", kW)
}

type limits struct {
	a float64 // most starts an hour
	b float64 // most starts an hour times Wk2, lb ft2
	c float64 // least rest between starts, s
}

// mg10 is the table of NEMA MG 10 for 2, 4 and 6 poles.
var mg10 = [...]struct {
	hp    float64
	poles [3]limits
}{
	{1, [3]limits{{15, 1.2, 75}, {30, 5.8, 38}, {34, 15, 33}}},
	{1.5, [3]limits{{12.9, 1.8, 76}, {25.7, 8.6, 38}, {29.1, 23, 34}}},
	{2, [3]limits{{11.5, 2.4, 77}, {23, 11, 39}, {26.1, 30, 35}}},
	{3, [3]limits{{9.9, 3.5, 80}, {19.8, 17, 40}, {22.4, 44, 36}}},
	{5, [3]limits{{8.1, 5.7, 83}, {16.3, 27, 42}, {18.4, 71, 37}}},
	{7.5, [3]limits{{7.0, 8.3, 88}, {13.9, 39, 44}, {15.8, 104, 39}}},
	{10, [3]limits{{6.2, 11, 92}, {12.5, 51, 46}, {14.2, 137, 41}}},
	{15, [3]limits{{5.4, 16, 100}, {10.7, 75, 50}, {12.1, 200, 44}}},
	{20, [3]limits{{4.8, 21, 110}, {9.6, 99, 55}, {10.9, 262, 48}}},
	{25, [3]limits{{4.4, 26, 115}, {8.8, 122, 58}, {10.0, 324, 51}}},
	{30, [3]limits{{4.1, 31, 120}, {8.2, 144, 60}, {9.3, 384, 53}}},
	{40, [3]limits{{3.7, 40, 130}, {7.4, 189, 65}, {8.4, 503, 57}}},
	{50, [3]limits{{3.4, 49, 145}, {6.8, 232, 72}, {7.7, 620, 64}}},
	{60, [3]limits{{3.2, 58, 170}, {6.3, 275, 85}, {7.2, 735, 75}}},
	{75, [3]limits{{2.9, 71, 180}, {5.8, 338, 90}, {6.6, 904, 79}}},
	{100, [3]limits{{2.6, 92, 220}, {5.2, 441, 110}, {5.9, 1181, 97}}},
	{125, [3]limits{{2.4, 113, 275}, {4.8, 542, 140}, {5.4, 1452, 120}}},
	{150, [3]limits{{2.2, 133, 320}, {4.5, 640, 160}, {5.1, 1719, 140}}},
	{200, [3]limits{{2.0, 172, 600}, {4.0, 831, 300}, {4.5, 2238, 265}}},
	{250, [3]limits{{1.8, 210, 1000}, {3.7, 1017, 500}, {4.2, 2744, 440}}},
}
