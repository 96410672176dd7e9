package outbox

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"time"

	"roundsman/collector"
	"roundsman/exporter/callout/desk"
	"roundsman/exporter/callout/push"
	"roundsman/exporter/record"
)

// Join returns the papers as they would be had the later ones gone on from those kept, which could not be read then. Both
// have their moments on this run's clock. Took reports alarms of which the later desk alone counts. A paper of which nothing
// is known here is the later one where there is one. An error names what could not be read; the rest is joined.
func Join(kept, later map[string]record.Paper, took func(alarm string) bool) (map[string]record.Paper, error) {
	out := maps.Clone(kept)
	if out == nil {
		out = map[string]record.Paper{}
	}
	maps.Copy(out, later)
	var errs []error
	for name, join := range map[string]func(kept, later record.Paper) ([]byte, collector.Moment, error){
		deskPaper: func(kept, later record.Paper) ([]byte, collector.Moment, error) {
			var k, l desk.Memory
			err := errors.Join(json.Unmarshal(kept.Doc, &k), json.Unmarshal(later.Doc, &l))
			return document(desk.Join(k, kept.At, l, took)), l.At, err
		},
		linksPaper: func(kept, later record.Paper) ([]byte, collector.Moment, error) {
			used := map[string]time.Time{}
			err := errors.Join(json.Unmarshal(kept.Doc, &used), json.Unmarshal(later.Doc, &used))
			return document(used), later.At, err
		},
		phonesPaper: func(kept, later record.Paper) ([]byte, collector.Moment, error) {
			doc, err := push.JoinPhones(kept.Doc, later.Doc)
			return doc, later.At, err
		},
	} {
		k, had := kept[name]
		l, has := later[name]
		if !had || !has {
			continue
		}
		doc, at, err := join(k, l)
		if err != nil {
			errs = append(errs, fmt.Errorf("paper %s: %w", name, err))
			continue
		}
		out[name] = record.Paper{At: at, Doc: doc}
	}
	return out, errors.Join(errs...)
}
