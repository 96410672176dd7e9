package plan

import "fmt"

// ItemError says why an item cannot be read.
type ItemError struct {
	Index  int // of the item in Build's list
	Item   Item
	Reason string
}

// Error returns unit, table, addresses and reason.
func (e *ItemError) Error() string {
	return fmt.Sprintf("unit %d: %s: %s", e.Item.Unit, e.Item.place(), e.Reason)
}

// place returns the item's addresses in words: 'holding 10-11'.
func (it Item) place() string {
	name := fmt.Sprintf("table %d", it.Table)
	if int(it.Table) < len(tableWords) && it.Table > 0 {
		name = tableWords[it.Table]
	}
	if it.Count <= 1 {
		return fmt.Sprintf("%s %d", name, it.Start)
	}
	return fmt.Sprintf("%s %d-%d", name, it.Start, it.end()-1)
}

var tableWords = [...]string{"", "coil", "discrete", "holding", "input"}

// unreadable returns why no request can read the item, "" if one can.
func (t *table) unreadable(it Item) string {
	switch {
	case it.Table < 1 || it.Table > 4:
		return "no function code 1 to 4 reads it"
	case it.Count == 0:
		return "asks for nothing"
	case it.end() > 1<<16:
		return "runs past address 65535"
	case int(it.Count) > t.limit.Max:
		return fmt.Sprintf("%d in one piece, the device gives at most %d a request", it.Count, t.limit.Max)
	case t.limit.touches(int(it.Start), it.end()):
		return "touches an address that must not be read"
	}
	return ""
}
