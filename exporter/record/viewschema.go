package record

// moreViews tells of journal lines how good a value was, which priority the alarm had and whether the time is a date; and
// of work done on equipment, in hours. RECORD.md beside the notes on care describes all views.
var moreViews = `DROP VIEW journal_lines;
	CREATE VIEW journal_lines AS
	SELECT seq, ` + stampSQL("time") + ` AS time, kind, alarm, point, ` + stateSQL(`"from"`) + ` AS "from", ` + stateSQL(`"to"`) + ` AS "to",
		value, "limit", unit, CASE quality WHEN 1 THEN 'good' WHEN 2 THEN 'uncertain' WHEN 3 THEN 'bad' END AS quality,
		CASE priority WHEN 1 THEN 'note' WHEN 2 THEN 'low' WHEN 3 THEN 'medium' WHEN 4 THEN 'high' END AS priority,
		who, why, ` + stampSQL("until") + ` AS until, length / 1e9 AS seconds, count, coalesce(undated, 0) AS undated
	FROM journal;
	CREATE VIEW services_done AS
	SELECT equipment, service, ` + stampSQL("time") + ` AS time, run / 3.6e12 AS run_hours, who, why
	FROM services;`
