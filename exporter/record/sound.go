package record

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// wholeCheckPages is up to which size the whole file is checked at the start: 64 MiB take about a tenth of a second.
const wholeCheckPages = 16 << 10

// largeTables hold readings and their figures: gigabytes that a start cannot wait for. What is damaged in them is told
// when it is read, and by Check.
var largeTables = []string{"chunks", "clocks", "minutes", "days", "windows"}

// startCheck lets SQLite look at the structure of all that the room's watch rests on.
func startCheck(ctx context.Context, q queryer) error {
	var pages int64
	if err := q.QueryRowContext(ctx, `SELECT page_count FROM pragma_page_count`).Scan(&pages); err != nil {
		return err
	}
	if pages <= wholeCheckPages {
		return quickCheck(ctx, q, "5")
	}
	tables, err := tableNames(ctx, q)
	for _, t := range tables {
		if !slices.Contains(largeTables, t) {
			err = errors.Join(err, quickCheck(ctx, q, t))
		}
	}
	return err
}

func tableNames(ctx context.Context, q queryer) (list []string, err error) {
	rows, err := q.QueryContext(ctx, `SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var t string
		if err := rows.Scan(&t); err != nil {
			return nil, err
		}
		list = append(list, t)
	}
	return list, rows.Err()
}

// quickCheck lets SQLite look at the structure of a table, or of the whole file, telling so many findings at most.
func quickCheck(ctx context.Context, q queryer, what string) error {
	rows, err := q.QueryContext(ctx, "PRAGMA quick_check("+what+")")
	if err != nil {
		return err
	}
	defer rows.Close()
	var found []error
	for rows.Next() {
		var word string
		if err := rows.Scan(&word); err != nil {
			return err
		}
		if word != "ok" {
			found = append(found, fmt.Errorf("%w: %s", ErrDamaged, strings.TrimSpace(word)))
		}
	}
	return errors.Join(append(found, rows.Err())...)
}
