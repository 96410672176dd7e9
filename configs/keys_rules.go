package configs

import "roundsman/configs/strict"

// The words of the rule files.

func rulesShape() *strict.Shape {
	return strict.TableOf(needed("rules", strict.NamedOf(ruleShape()), "The rules, by name."))
}

func ruleShape() *strict.Shape {
	keys := []strict.Key{
		key("point", texts(), "The point that is judged; a list or pattern (power.*) gives one alarm for each, named rule:point."),
		key("points", texts(), "The same as point."),
	}
	keys = append(keys, kindKeys()...)
	keys = append(keys, windowKeys()...)
	return strict.TableOf(append(keys, alarmKeys()...)...)
}

// kindKeys are the conditions; a rule has one, or limits of one direction.
func kindKeys() []strict.Key {
	limit := func() *strict.Shape {
		return strict.AnyOf(measure(), strict.TableOf(append([]strict.Key{
			needed("limit", measure(), "The limit."),
		}, alarmKeys()...)...))
	}
	return []strict.Key{
		key("low", limit(), "Below this value."),
		key("low-low", limit(), "Below this value, the harder limit."),
		key("high", limit(), "Above this value."),
		key("high-high", limit(), "Above this value, the harder limit."),
		key("rate", measure(), "Changes faster than this, with over: '-0.08 bar/s' falls, '2 %/min' rises."),
		key("deviation", measure(), "Differs by more than this from the point under from."),
		key("equals", text(), "Has this value: a number, a word of the point, true or false."),
		key("bad", yesNo(), "The reading is bad."),
		key("stale", strict.AnyOf(duration()), "Nothing new for so long."),
		key("stuck", strict.AnyOf(duration(), strict.TableOf(
			needed("over", duration(), "For so long."),
			key("less-than", measure(), "Moved by less than this; one step of its resolution if not given."),
		)), "Does not move for so long, while the terms of while hold."),
		key("discrepancy", strict.AnyOf(text(), strict.TableOf(
			needed("with", text(), "A state, or a term such as 'pit.3.level > 2.1 m', that must agree with the point."),
		)), "Disagrees with another state, or with a term."),
		key("not-reached", strict.TableOf(
			needed("value", measure(), "The value to reach."),
			needed("within", duration(), "In this time."),
			needed("after", texts(), "Once this became true."),
			key("falling", yesNo(), "Reached means fallen to it."),
		), "Does not reach a value in time."),
		key("total-above", strict.TableOf(
			key("point", text(), "The counter or quantity; the rule's point if not given."),
			needed("value", measure(), "More than this."),
			needed("over", duration(), "In this time."),
		), "Rose by more than this."),
		key("running-longer-than", duration(), "Has been on for longer."),
		key("idle-longer-than", duration(), "Has been off for longer."),
		key("starts-above", strict.AnyOf(number(), strict.TableOf(
			needed("count", number(), "More starts than this."),
			key("over", duration(), "In this time; 1h."),
		)), "Started more often than this in an hour, or in the time under over."),
		key("formula", text(), "An expression over points that is true or false."),
	}
}

func windowKeys() []strict.Key {
	return []strict.Key{
		key("over", duration(), "The time a rate is measured over."),
		key("from", text(), "The point that a deviation is measured from."),
		key("while", texts(), "Counts only while these terms hold."),
	}
}

// alarmKeys may stand at a rule and, different, at one of its limits.
func alarmKeys() []strict.Key {
	return []strict.Key{
		key("deadband", measure(), "How far back from the limit the value must come before the alarm ends."),
		key("on-delay", duration(), "How long the condition must hold before the alarm starts."),
		key("off-delay", duration(), "How long the condition must have ceased before the alarm ends."),
		key("on-total", text(), "Also starts when true for '5m of 10m'."),
		key("latch", yesNo(), "Stays until a person resets it."),
		key("auto-acknowledge", yesNo(), "Needs no acknowledgement."),
		key("return-needs-no-acknowledgement", yesNo(), "Goes back to normal by itself when its condition ends."),
		key("realarm-after", duration(), "Asks for acknowledgement again when it is still active after so long."),
		key("priority", strict.OneOf("priority", "note", "low", "medium", "high"), "Priority; from severity and time-to-respond if not given."),
		key("severity", strict.OneOf("severity", "minor", "major", "severe"), "The worst that follows if nobody responds."),
		key("time-to-respond", duration(), "The time a person has to respond."),
		key("consequence", text(), "What happens if nobody responds."),
		key("response", text(), "What to do first."),
		key("call-out", text(), "Who is called; none if not given."),
		key("suppress-when", texts(), "Conditions, points or terms under which the alarm is suppressed by design."),
		key("caused-by", texts(), "Rules whose alarm makes this one a consequence."),
	}
}
