package record

// Figures are those of one minute of a point, in the point's unit; NaN where no reading could be used.
type Figures struct {
	Milli                int64   // when it begins: UTC, in milliseconds since 1970
	Min, Mean, Max, Last float64 // of the readings that could be used
	Good                 float64 // share of the readings that were good, 0 to 1
}
