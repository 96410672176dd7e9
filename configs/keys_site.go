package configs

import "roundsman/configs/strict"

// The words of the site file. One table drives the reader and the editors' schema.

func key(name string, s *strict.Shape, doc string) strict.Key {
	return strict.Key{Name: name, Shape: s, Doc: doc}
}

func needed(name string, s *strict.Shape, doc string) strict.Key {
	return strict.Key{Name: name, Shape: s, Doc: doc, Needed: true}
}

func text() *strict.Shape     { return strict.One(strict.Text) }
func yesNo() *strict.Shape    { return strict.One(strict.Switch) }
func number() *strict.Shape   { return strict.One(strict.Number) }
func measure() *strict.Shape  { return strict.One(strict.Measure) }
func duration() *strict.Shape { return strict.One(strict.Duration) }

// texts is one text or a list of them.
func texts() *strict.Shape { return strict.AnyOf(text(), strict.ListOf(text(), 1)) }

func siteShape() *strict.Shape {
	return strict.TableOf(
		needed("site", strict.TableOf(
			needed("name", text(), "The name of the site, as people call it."),
			key("time-zone", text(), "Time zone of the IANA database, such as Europe/Dublin; UTC if not given."),
		), "Which site this is."),
		key("listen", strict.AnyOf(text(), listenShape()), "Address and port of the web pages and metrics; 127.0.0.1:9480 if not given."),
		key("panel", panelShape(), "Who may look at the pages, and who signs in."),
		key("record", recordShape(), "Where the record is kept and for how long."),
		key("rules", texts(), "Rule files, as names or patterns below the site file's folder."),
		key("contacts", text(), "The file of people, channels and rota."),
		needed("links", strict.NamedOf(linkShape()), "The ways out of the box, by name."),
		needed("points", strict.NamedOf(pointShape()), "The points, by name."),
		key("conditions", strict.NamedOf(conditionShape()), "Named truths for suppress-when, while and after."),
		key("equipment", strict.NamedOf(equipmentShape()), "The machines whose run time is kept, by name."),
		key("review", reviewShape(), "What the reviews hold run time and water against."),
	)
}

func listenShape() *strict.Shape {
	return strict.TableOf(
		needed("address", text(), "Address and port."),
		key("trusted-network", yesNo(), "Everybody on this network may see the pages, unencrypted."),
		key("certificate", text(), "File of the TLS certificate, in PEM, read anew when it is renewed; or self-made: the box makes one."),
		key("key", text(), "File of the TLS key, in PEM."),
		key("names", texts(), "Host names and IP addresses by which the pages are asked for; a self-made certificate holds them."),
	)
}

func panelShape() *strict.Shape {
	return strict.TableOf(
		key("view", strict.OneOf("view", "anyone", "people"), "Who may look: anyone, or people who sign in. If not given, people once somebody has a password and other machines can reach the pages."),
		key("passwords", text(), "File of those who sign in, kept by 'roundsman person'; people.passwords beside the site file if not given."),
	)
}

func keepSpan() *strict.Shape {
	return &strict.Shape{Form: strict.Duration, Words: []string{"forever"}}
}

func recordShape() *strict.Shape {
	return strict.TableOf(
		key("path", text(), "File of the record; roundsman.db if not given."),
		key("keep", strict.TableOf(
			key("readings", keepSpan(), "How long single readings are kept; 30d if not given."),
			key("minutes", keepSpan(), "How long one-minute figures are kept; 400d if not given."),
			key("journal", keepSpan(), "How long the alarm journal is kept; forever if not given."),
		), "How long what is kept."),
		key("size", text(), "The most room of the record's file, such as '2 GB': beyond it the oldest readings go, then the oldest one-minute figures. No limit if not given."),
	)
}

func markerShape() *strict.Shape {
	return strict.TableOf(
		key("holding", strict.Whole(0, 65535), "Holding register, zero-based."),
		key("input", strict.Whole(0, 65535), "Input register, zero-based."),
		needed("equals", strict.Whole(0, 65535), "What it must read."),
	)
}

func linkShape() *strict.Shape {
	return strict.TableOf(
		key("modbus", text(), "tcp://HOST:PORT, rtu:///DEVICE or rtu+tcp://HOST:PORT."),
		key("mqtt", text(), "tcp://HOST:PORT or ssl://HOST:PORT of the broker."),
		key("timeout", duration(), "Time for one whole exchange; 1s, on a serial line 300ms."),
		key("retries", strict.Whole(0, 10), "Further tries after no or a wrong answer; 2."),
		key("gap", duration(), "Least pause between an answer and the next request; 0ms."),
		key("baud", strict.Whole(300, 4000000), "Bits a second of the serial line; 19200."),
		key("parity", strict.OneOf("parity", "even", "odd", "none"), "Parity of the serial line; even."),
		key("stop-bits", strict.Whole(1, 2), "Stop bits of the serial line; 1."),
		key("rs485", yesNo(), "Let the driver switch the direction of the line."),
		key("units", strict.NamedOf(unitShape()), "What is to know of single devices, by unit id."),
		key("marker", markerShape(), "A register that tells whether the map still fits, where the link has one unit."),
		key("client-id", text(), "Name of this client at the broker; roundsman if not given."),
		key("username", text(), "User at the broker."),
		key("password-file", text(), "File that holds the password, read at each connection."),
		key("ca-file", text(), "File of the certificates to trust, in PEM; the system's if not given."),
		key("keep-alive", duration(), "Longest silence before the broker is asked whether it is there; 10s."),
		key("qos", strict.Whole(0, 2), "Quality of service of the subscriptions; 1."),
		key("max-payload", strict.Whole(1, 16<<20), "Longest payload in bytes; 65536."),
		key("online", onlineShape(), "The topic that tells whether the devices behind this broker are there."),
	)
}

func unitShape() *strict.Shape {
	return strict.TableOf(
		key("max-registers", strict.Whole(1, 125), "Most registers in one request; 125."),
		key("max-bits", strict.Whole(1, 2000), "Most coils or inputs in one request; 2000."),
		key("forbidden", texts(), "Stretches that must not be read: 'holding 20-29'."),
		key("turnaround", duration(), "What the device takes to begin its answer; 0ms."),
		key("marker", markerShape(), "A register that tells whether the device's map still fits."),
	)
}

func onlineShape() *strict.Shape {
	return strict.TableOf(
		needed("topic", text(), "The will or status topic."),
		needed("equals", text(), "The payload that means the device is there."),
	)
}

// address is what an address key may hold.
func address() *strict.Shape { return strict.Whole(0, 65535) }

func pointShape() *strict.Shape {
	keys := []strict.Key{
		key("station", text(), "The part of the room; the name up to its first dot if not given."),
		key("unit", text(), "The unit of the value."),
		key("kind", strict.OneOf("kind", "number", "state", "counter", "text"), "What the value is; by its type if not given."),
		key("range", strict.Pair(measure()), "What the instrument can measure; the ends of its scale if not given."),
		key("digits", strict.Whole(0, 9), "Decimals to show."),
		key("link", text(), "The link it is read over."),
	}
	keys = append(keys, registerKeys()...)
	keys = append(keys, topicKeys()...)
	keys = append(keys, signalKeys()...)
	return strict.TableOf(append(keys, computedKeys()...)...)
}

func registerKeys() []strict.Key {
	return []strict.Key{
		// MODBUS Messaging on TCP/IP V1.0b has devices of their own on the network ignore it and advises 255 (from
		// memory); on a serial line the link holds it to 1 to 247
		key("unit-id", strict.Whole(0, 255), "The device's address on the link, 1 if not given: 1 to 247 on a serial line; many devices on TCP want 255."),
		key("holding", address(), "Holding register, zero-based as on the wire."),
		key("input", address(), "Input register, zero-based as on the wire."),
		key("coil", address(), "Coil, zero-based as on the wire."),
		key("discrete", address(), "Discrete input, zero-based as on the wire."),
		key("reference", text(), "The same in the traditional notation: 40011 is holding register 10."),
		key("type", strict.OneOf("type", typeWords()...), "How the value lies in its registers; uint16, for coils and discrete inputs bool."),
		key("order", strict.OneOf("order", orderWords()...), "Order of the bytes, A the most significant; ABCD."),
		key("bit", strict.Whole(0, 15), "Bit of the register, 0 the least significant."),
		key("length", strict.Whole(1, 125), "Registers of a text."),
		key("every", duration(), "How often it is read; 1s."),
	}
}

func topicKeys() []strict.Key {
	return []strict.Key{
		key("topic", text(), "Topic or topic filter."),
		key("value", text(), "JSON pointer (RFC 6901) to the value; the whole payload if not given."),
		key("time", text(), "JSON pointer to the device's own time stamp."),
		key("where", strict.NamedOf(text()), "JSON pointers and the texts they must find: the device on a shared topic."),
		key("words", strict.NamedOf(number()), "Numbers for words: {online: 1, offline: 0}."),
		key("online", onlineShape(), "The topic that tells whether the device is there."),
		key("on-change", yesNo(), "The topic is published retained whenever its value changes, and stands whatever its age."),
		key("stale-after", duration(), "A value older than this is no value. While the link is down there is none; a value still in its time stands again when the link is back."),
	}
}

func signalKeys() []strict.Key {
	return []strict.Key{
		key("scale", strict.AnyOf(measure(), strict.TableOf(
			needed("from", strict.Pair(measure()), "Raw values, or mA, of the two ends."),
			needed("to", strict.Pair(measure()), "What they mean."),
		)), "What raw values mean: the value of one count, or two pairs."),
		key("table", strict.ListOf(strict.Pair(measure()), 2), "Calibration table: pairs of raw value and what it means, rising."),
		key("square-root", yesNo(), "Flow from differential pressure: the square root of the scale."),
		key("clamp", yesNo(), "Keep the value inside the ends of the scale."),
		key("signal", strict.OneOf("signal", "4-20mA"), "A live-zero signal, supervised after NAMUR NE 43."),
		key("raw-per-mA", number(), "Raw counts a mA; 1. A scale from counts tells it: its ends are 4 and 20 mA."),
		key("spike-window", strict.Whole(5, 11), "Readings in the window of a Hampel filter that doubts single spikes."),
		key("max-rate", text(), "The fastest believable change: '0.5 bar/s'."),
		key("stuck-after", duration(), "A value that stands still so long is doubted."),
	}
}

func conditionShape() *strict.Shape {
	return strict.AnyOf(text(), strict.ListOf(text(), 1), strict.TableOf(
		key("all", texts(), "Terms that must all hold."),
		key("any", texts(), "Terms of which one must hold."),
		key("not", text(), "A point or condition that must not hold."),
		key("hold", duration(), "Stays true for so long after its terms ceased to hold."),
		key("until", texts(), "Makes it a latch: once true it stays so until these hold."),
		key("at-most", duration(), "The longest a latch stays true."),
		key("hours", hoursShape(), "Opening hours by day: {monday-friday: 07:00-20:00, sunday: 08:00-18:00, except: {2026-12-25: closed}}."),
	))
}

func reviewShape() *strict.Shape {
	return strict.TableOf(
		key("open", strict.AnyOf(text(), hoursShape()), "Opening hours, or a condition that has them: what runs outside of them is looked at."),
		key("open-state", text(), "The state that tells that the wash is open, which the reviews of air and water go by."),
		key("vehicles", text(), "The counter of vehicles: run time, water and energy are told for each."),
		key("air", airShape(), "What the review of the compressed air looks at."),
		key("water", waterShape(), "What the review of the water looks at."),
	)
}

// registerShape is a register that only rises.
func registerShape() *strict.Shape {
	return strict.AnyOf(text(), strict.TableOf(
		needed("point", text(), "The register."),
		key("rolls-over-at", measure(), "The value at which it begins again at 0; by its type and scale if not given."),
	))
}

func equipmentShape() *strict.Shape {
	return strict.TableOf(
		key("station", text(), "The part of the room; the name up to its first dot if not given."),
		key("run", text(), "The point that tells that it runs: a contact, a current, a speed."),
		key("above", measure(), "It runs when the point is above this, where the point is no contact."),
		key("below", measure(), "And until the point is at or below this; the same if not given."),
		key("hour-meter", registerShape(), "Its hour meter, where nothing tells that it runs."),
		key("start-counter", registerShape(), "A counter of its starts, where a look now and then misses some."),
		key("rated", measure(), "Rated power."),
		key("share", measure(), "Share of the rated power that it takes while it runs; 100 %."),
		key("energy", text(), "The meter of its energy or power."),
		key("starts-per-hour", number(), "Most starts of its motor in an hour; by the table of NEMA MG 10 if not given."),
		key("poles", strict.Whole(2, 6), "Poles of its motor, 2, 4 or 6, for that table; 4."),
		key("least-run", duration(), "A run shorter than this is a short one; 1m."),
		key("pair", text(), "The machine it shares its work with."),
		key("loaded", text(), "The point that tells that it is loaded, of a compressor that runs on without load."),
		key("loaded-above", measure(), "It is loaded when that point is above this, where it is no contact."),
		key("load-cycles-per-hour", number(), "Most load cycles in an hour."),
		key("unloaded", measure(), "Share of the rated power that it takes without load."),
		key("join", duration(), "A stop shorter than this is contact bounce; 2s."),
		key("hold-at-most", duration(), "A reading stands for so long at most, the rest is unseen; 3 times its interval."),
		key("service", strict.ListOf(strict.TableOf(
			needed("name", text(), "What is to be done."),
			needed("every", duration(), "After so many hours of running."),
		), 1), "Work that is due by run time."),
	)
}
