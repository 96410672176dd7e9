package configs

import "roundsman/configs/strict"

// The words of the contacts file. What is not in this table is refused: a file
// that names a channel or a rota must not look as if it worked.

func contactsShape() *strict.Shape {
	people := strict.NamedOf(personShape())
	people.Fewest = 1
	return strict.TableOf(
		needed("people", people, "Those who may act on alarms and can be called, each by the short name they use on the command line: n.quill."),
		key("channels", strict.NamedOf(channelShape()), "The ways to reach people, by name; each has one of modem, over, mail, webhook, webhook-file, mqtt and push."),
		key("rota", strict.NamedOf(rotaShape()), "Who takes turns, by name."),
		key("quiet-hours", quietShape(), "The hours in which nobody is called, by priority: the call waits for their end. There are none for high priority."),
		key("call-outs", strict.NamedOf(routeShape()), "Who hears of an alarm and in which order; rules name one under call-out."),
		key("box", text(), "The call-out for what Roundsman rings about itself; nobody is called if not given."),
		key("clock-not-set", texts(), "People who are called while the box does not know the time and so not whose turn it is; everybody who has channels if not given."),
		key("limits", limitsShape(), "How calls are merged and held back."),
		key("links", linksShape(), "Links in messages, by which a person acknowledges from the phone; none if not given."),
		key("wording", wordingShape(), "Texts of messages of the site's own, as templates; the defaults are meant to do."),
		key("heartbeat", heartbeatShape(), "Tells somebody outside at an interval that the box is alive."),
		key("drill", drillShape(), "A marked test call each week, at a changing hour."),
	)
}

func personShape() *strict.Shape {
	return strict.TableOf(
		needed("name", text(), "The name as pages and journal show it."),
		key("role", text(), "What they are here: technician, lead, manager."),
		key("key-file", text(), "File that holds their key, readable by the daemon's user only. Without one they may act on the box itself only, over loopback."),
		key("channels", strict.ListOf(strict.AnyOf(text(), strict.NamedOf(text())), 1), "How to reach them, in the order tried: channels with their address, {sms: '+12025550100'}; the name alone takes the channel's own address."),
		key("wake", strict.NamedOf(text()), "A telephone that is rung besides, with each message of a high alarm: {ring: '+12025550100'}."),
		key("patience", duration(), "The next channel is tried when a message is not through after so long; as in limits if not given."),
	)
}

// channelShape holds the keys of all kinds; the key that begins a kind decides which others go with it.
func channelShape() *strict.Shape {
	keys := []strict.Key{
		key("modem", text(), "The serial port of a GSM or LTE modem: texts. /dev/serial/by-id/... keeps its name."),
		key("over", text(), "A telephone that rings, over the modem of this other channel."),
		key("mail", text(), "The mail server, HOST or HOST:PORT."),
		key("webhook", text(), "An https address that messages are posted to."),
		key("webhook-file", text(), "File that holds such an address, where it is itself a secret."),
		key("mqtt", text(), "tcp://HOST:PORT or ssl://HOST:PORT of a broker that each alarm's state is published to."),
		key("push", text(), "Web push to phones: a mail address or https page under which push services can reach the site's people."),
		key("username", text(), "User at the mail server or broker."),
		key("password-file", text(), "File that holds the password, readable by the daemon's user only."),
		key("ca-file", text(), "File of the certificates to trust, in PEM; the system's if not given."),
		key("proxy", text(), "URL of a proxy for webhook and push; none if not given, whatever the environment says."),
		key("timeout", duration(), "Time for one message."),
	}
	keys = append(keys, modemKeys()...)
	keys = append(keys, mailKeys()...)
	keys = append(keys, webhookKeys()...)
	return strict.TableOf(append(keys,
		key("client-id", text(), "Name of this client at the broker; roundsman-callout if not given."),
		key("topic", text(), "Topic of an alarm, with the places {site}, {alarm}, {person}, {subject} and {priority}."),
		key("key-file", text(), "File of the key that signs push messages, made when it is first needed; push.key if not given. It belongs into the backup."),
		key("keep", duration(), "How long a push service keeps a message for a phone that is off; 4h."),
	)...)
}

func modemKeys() []strict.Key {
	return []strict.Key{
		key("baud", strict.Whole(1200, 4000000), "Bits a second of the modem's port; 115200."),
		key("pin-file", text(), "File that holds the SIM's PIN. A wrong PIN is never tried again."),
		key("country", text(), "Country code of senders that the network gives by their national number: '353'."),
		key("validity", duration(), "How long the network keeps trying to deliver a text; 1h."),
		key("ring", duration(), "How long the telephone rings; 25s."),
		key("receipts", yesNo(), "Ask the network whether texts were delivered."),
		key("parts", strict.Whole(1, 10), "Most parts of a long text; 3."),
	}
}

func mailKeys() []strict.Key {
	return []strict.Key{
		key("security", strict.OneOf("kind of security", "starttls", "tls", "plain"), "How the connection to the mail server is protected; starttls. Plain takes no password."),
		key("from", text(), "The sender: 'Ardenmoor Wash <box@wash.example>'."),
		key("reply-to", text(), "Where answers go; nowhere else if not given."),
		key("domain", text(), "The site's own domain, in message ids; that of from if not given."),
	}
}

func webhookKeys() []strict.Key {
	return []strict.Key{
		key("unencrypted", yesNo(), "Allow http to other machines."),
		key("body", text(), "Template of the body; one JSON object if not given."),
		key("content-type", text(), "Type of the body; application/json."),
		key("headers", strict.NamedOf(text()), "Further headers; values are templates."),
		key("secret-headers", strict.NamedOf(text()), "Headers whose whole values are secret, each by the file that holds it."),
		key("secret-file", text(), "File of the key that signs the requests (HMAC-SHA-256); unsigned if not given."),
		key("signature-header", text(), "The header that carries the signature; Roundsman-Signature."),
	}
}

// daysShape is who is on duty on a day: names, or names by hours.
func daysShape() *strict.Shape {
	return strict.AnyOf(text(), strict.ListOf(text(), 1), strict.NamedOf(texts()))
}

func weekShape() *strict.Shape {
	return strict.AnyOf(text(), strict.ListOf(text(), 1), strict.NamedOf(daysShape()))
}

func rotaShape() *strict.Shape {
	weeks := strict.ListOf(weekShape(), 1)
	return strict.TableOf(
		key("week", weekShape(), "Who is on duty, the same each week: a name, or names by day and hours: {monday-friday: {08:00-20:00: n.quill}, sunday: a.lark}."),
		key("weeks", weeks, "The same for weeks that take turns."),
		key("hand-over", text(), "When one week hands over to the next: monday 08:00."),
		key("since", text(), "The date of a hand-over to the first of the weeks: 2026-11-02."),
		key("except", strict.NamedOf(daysShape()), "Dates that differ, or 'DATE to DATE': who is on duty then, all day or in the hours given."),
	)
}

// hoursShape is opening hours, or any other hours of a week.
func hoursShape() *strict.Shape {
	return strict.NamedOf(strict.AnyOf(text(), strict.ListOf(text(), 1), strict.NamedOf(texts())))
}

func quietShape() *strict.Shape {
	return strict.TableOf(
		key("low", hoursShape(), "Quiet hours for low priority: {daily: [00:00-07:00, 21:00-24:00]}."),
		key("medium", hoursShape(), "Quiet hours for medium priority."),
	)
}

func routeShape() *strict.Shape {
	return strict.TableOf(
		needed("steps", strict.ListOf(strict.TableOf(
			key("after", duration(), "So long after the alarm started, unless somebody acknowledged before; 0s for the first step."),
			needed("who", texts(), "People, or rotas."),
		), 1), "The steps, one after the other."),
		key("again", duration(), "The last step is repeated after so long without an acknowledgement; never if not given."),
		key("open", strict.AnyOf(text(), hoursShape()), "The only hours in which this call-out calls at all, or a condition of the site file that has hours."),
		key("quiet-hours", strict.AnyOf(strict.OneOf("word", "none"), quietShape()), "Quiet hours of this call-out alone, or none."),
		key("return", texts(), "Who else is told when all is normal again; those who were called are told anyway."),
	)
}

func limitsShape() *strict.Shape {
	return strict.TableOf(
		key("merge", duration(), "How long the first message of a burst waits for others to join it; 2s."),
		key("per-hour", strict.Whole(0, 1000), "Most messages to one person in an hour, the rest is told as a count; 20. 0: no limit. The first of a high alarm always goes."),
		key("patience", duration(), "A person's next channel is tried when a message is not through after so long; 20s."),
	)
}

func linksShape() *strict.Shape {
	return strict.TableOf(
		needed("address", text(), "Where a phone reaches the pages: https://box.wash.example."),
		key("life", duration(), "How long a link is good; 4h."),
	)
}

func wordingShape() *strict.Shape {
	form := func() *strict.Shape {
		return strict.TableOf(
			key("title", text(), "The subject line of mail and push."),
			key("short", text(), "The text of an SMS; it is shortened to 160 characters."),
			key("text", text(), "The text of mail and push. The caution is added where it is left out."),
		)
	}
	return strict.TableOf(
		key("alarm", form(), "Of an alarm."),
		key("return", form(), "Of a return to normal."),
	)
}

func heartbeatShape() *strict.Shape {
	return strict.TableOf(
		key("url", text(), "The https address to ask at each beat."),
		key("url-file", text(), "File that holds it, where it is itself a secret."),
		key("channel", text(), "An mqtt channel that takes the beats instead."),
		key("topic", text(), "The topic of the beats."),
		key("every", duration(), "The interval; 5m."),
		key("method", strict.OneOf("method", "POST", "GET"), "How the address is asked; POST."),
		key("unencrypted", yesNo(), "Allow http to other machines."),
		key("ca-file", text(), "File of the certificates to trust, in PEM; the system's if not given."),
		key("proxy", text(), "URL of a proxy; none if not given."),
	)
}

func drillShape() *strict.Shape {
	return strict.TableOf(
		needed("days", texts(), "The days it may fall on: tuesday, or monday-friday."),
		needed("between", text(), "The hours it may fall into: 09:00-16:00."),
		key("who", texts(), "People, or rotas; everybody who has channels if not given."),
		key("answer-within", duration(), "The time to answer; 10m."),
	)
}
