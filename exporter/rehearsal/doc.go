// Package rehearsal runs rules over recorded readings at full speed: the same computed points and the same engine as in
// the daemon, with the data's own time. It tells which alarms would have rung, when and how long, what each rule's
// alarms were worth, what changed deadbands and delays would have made of it, and which ones the data suggest.
//
//	file, err := rehearsal.OpenFile("june.csv.gz")
//	source, err := rehearsal.NewCSV(file, rehearsal.CSVOptions{Name: "june.csv.gz", Points: site.Points})
//	report, err := rehearsal.Run(ctx, rehearsal.Site{Points: site.Points, Compute: site.Compute, Rules: site.Rules}, source, rehearsal.Options{})
//
// # Recorded data
//
// CSV with a header, in UTF-8, separated by commas, numbers with a decimal point. Wide: the first column is 'time', each
// other column a point; an empty cell is no reading, 'bad' a bad one. Long: 'time,point,value' or
// 'time,point,value,quality' with the qualities good, uncertain and bad. Times are RFC 3339 (a blank for the T is
// allowed) or seconds as a number, all of one kind. Values are in the points' units; states are 0 and 1, true and
// false, on and off. Values are taken as already judged: the range and rate checks of the links are not repeated.
//
// What is wrong with the shape of the file ends the rehearsal with file, line and column: a missing time column, an
// unknown point, a time without zone, a decimal comma, a row with more or fewer cells than the header. What is wrong with
// single readings is repaired, counted and said:
//
//   - a row that is earlier than one before it is left out (a stream cannot be sorted); where these are the greater part, it is an error
//   - rows of one moment are taken together; of several readings of a point the last counts
//   - a cell that cannot be read is a bad reading, and so is NaN
//   - a last line without its end and with too few cells is left out: the recorder was stopped there
//   - over a gap each point's last value holds, as between two rounds of a link; delays run on, and only stale rules notice
//
// # Recorded and computed points
//
// A column of a computed point takes the place of its computation. In the long form columns are not known beforehand:
// rows of computed points are passed over and counted.
//
// # Figures
//
// An activation begins when the alarm starts and ends when it returns or is suppressed by design. Nobody acknowledges
// anything. A latched alarm counts as ended when its condition has returned. Active time ends with the data.
//
// Chattering and fleeting are the words of ISA-18.2 / IEC 62682. Chattering counts the windows of three starts within a
// minute, each by the start it begins with: starts at 10, 25, 40, 55, 70 s make three. A start counts until a minute after
// it, exclusive: three starts in exactly 60 s are no chatter (the choice is ours; the standards' texts were not at hand).
// Fleeting counts activations that ended within a minute and did not repeat within a minute before or after.
//
// # Suggestions
//
// While the data pass, each rule's condition is noted as it comes and goes: beyond the limit, how far back behind it, bad,
// suppressed, each with its time. For a rule that chatters, candidates are then tried on these notes by the engine itself,
// deadbands in steps of 1, 2, 3 and 5 up to a tenth of the range, delays in usual steps. A run of activations less than a
// minute apart is one incident; one that lasts longer than the most delay allowed is a true alarm. A candidate is good if
// it leaves no chatter and every true alarm still starts, at most that delay later. The first good one of this order is
// suggested, each kind from its smallest, and a delay must also do with a tenth less: deadband alone, off-delay alone, both, on-delay alone, on-delay with deadband, on-delay
// with off-delay. A deadband and an off-delay make no alarm later, so they come first. See EEMUA 191 and ISA-18.2 clause 10.5 (from memory) for starting values by kind of signal.
package rehearsal
