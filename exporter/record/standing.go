package record

import (
	"context"
	"time"
)

// What begins and what ends an activation, as review.Builder has it.
const sqlStanding = `SELECT ` + lineColumns + ` FROM journal j LEFT JOIN runs r USING (run)
	WHERE j.kind = 'started' AND j.seq IN (SELECT max(seq) FROM journal WHERE time < ?1 AND alarm IS NOT NULL
		AND kind IN ('started', 'returned', 'shelved', 'suppressed', 'taken out of service', 'alarm removed') GROUP BY alarm)
	ORDER BY j.seq`

// Standing returns, for each alarm that was active at a time, the line with which it had started, oldest first: what
// began long before a span and reaches into it. It looks at every line before that time, about a second for a million.
func (r *Reader) Standing(ctx context.Context, at time.Time) ([]Line, error) {
	rows, err := r.db.QueryContext(ctx, sqlStanding, at.Add(time.Millisecond-1).UnixMilli())
	if err != nil {
		return nil, r.fail("read", reason(err))
	}
	defer rows.Close()
	var lines []Line
	for rows.Next() {
		l, err := r.scan(rows)
		if err != nil {
			return nil, r.fail("read", reason(err))
		}
		lines = append(lines, l)
	}
	if err := rows.Err(); err != nil {
		return nil, r.fail("read", reason(err))
	}
	return lines, nil
}
