package configs

import "roundsman/configs/strict"

// computedKeys are the computations; a point has at most one of them.
func computedKeys() []strict.Key {
	return []strict.Key{
		key("difference", strict.Pair(text()), "The first point less the second."),
		key("sum", strict.ListOf(text(), 2), "The points added."),
		key("ratio", strict.AnyOf(strict.Pair(text()), strict.TableOf(
			needed("of", text(), "The point above the line."),
			key("to", text(), "The point below the line."),
			key("share-with", text(), "The other part: of / (of + other)."),
			key("least", measure(), "No result while the divisor is not above this."),
		)), "One point over another, or its share of both."),
		key("pulses", text(), "A counter; the point is the flow it tells."),
		key("total", text(), "A counter; the point is what it told since the box began to look."),
		key("per-pulse", measure(), "What one pulse stands for."),
		key("rolls-over-at", strict.Whole(2, 1<<62), "The count that follows is 0: 65536, 4294967296; by the counter's type if not given."),
		key("over", duration(), "The stretch of time looked back at."),
		key("tank", tankShape(), "The content of a tank at a level."),
		key("hydrostatic", hydrostaticShape(), "The level over a pressure sensor."),
		key("rate", text(), "How fast a point changes, as a straight line through the window."),
		key("mean", text(), "The mean of a point over the window; of a state its share of time."),
		key("while", text(), "A state that must be 1 for time to count in a mean."),
		key("formula", text(), "An expression over points."),
		key("leak-test", leakTestShape(), "What leaks from the compressed air, by a test made by itself while nothing draws air."),
		key("leak-figure", leakFigureShape(), "Another figure of a leak test."),
	}
}

func tankShape() *strict.Shape {
	return strict.TableOf(
		needed("level", text(), "The point that tells the level, as a height or in % of the height."),
		needed("shape", strict.OneOf("shape", tankWords()...), "The shape of the tank."),
		key("diameter", measure(), "Inner diameter."),
		key("length", measure(), "Inner length between the ends."),
		key("width", measure(), "Inner width."),
		key("height", measure(), "Inner height; over a cone that of the straight part."),
		key("cone-height", measure(), "Height of the cone at the bottom."),
		key("outlet-diameter", measure(), "Diameter of the outlet the cone ends in; 0 mm."),
		key("ends", strict.OneOf("kind of ends", endWords()...), "The ends of a cylinder; flat."),
		key("end-depth", measure(), "Depth of one ellipsoidal end."),
		key("crown-radius", measure(), "Inner radius of the crown of torispherical ends."),
		key("knuckle-radius", measure(), "Inner radius of the knuckle of torispherical ends."),
		key("strapping", strict.ListOf(strict.Pair(measure()), 2), "Pairs of level and volume, rising."),
	)
}

func hydrostaticShape() *strict.Shape {
	return strict.TableOf(
		needed("pressure", text(), "The point that tells the pressure at the sensor."),
		key("density", measure(), "Density of the liquid; that of water if not given."),
		key("temperature", text(), "Temperature of the water, as a value or a point; 15 degC."),
		key("above", measure(), "Height of the sensor over the tank's bottom; 0 m."),
	)
}
