package configs

import "roundsman/configs/strict"

// The words of the contacts file. What is not in this table is refused: a file
// that names a channel or a rota must not look as if it worked.

func contactsShape() *strict.Shape {
	people := strict.NamedOf(personShape())
	people.Fewest = 1
	return strict.TableOf(
		needed("people", people, "Those who may act on alarms, each by the short name they use on the command line: n.quill."),
	)
}

func personShape() *strict.Shape {
	return strict.TableOf(
		needed("name", text(), "The name as pages and journal show it."),
		key("role", text(), "What they are here: technician, lead, manager."),
		key("key-file", text(), "File that holds their key, readable by the daemon's user only. Without one they may act on the box itself only, over loopback."),
	)
}
