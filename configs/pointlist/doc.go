// Package pointlist makes a site file out of a register list as panel builders
// hand it over in a spreadsheet: columns in any order and under many names, a
// decimal comma, addresses counted from 0, from 1 or as 40001, types in the
// words of data sheets. What the list leaves open is never settled in silence:
// each doubt stands beside its point, with the line and column of the list.
//
//	list, err := pointlist.Read("list.csv", data)
//	draft := list.Draft(pointlist.Options{Link: "plc", Modbus: "tcp://10.0.4.10:502"})
//	os.Stdout.Write(draft.YAML()) // draft.Doubts: list.csv:7:4: ...
package pointlist
