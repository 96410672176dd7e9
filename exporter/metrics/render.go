package metrics

import (
	"bytes"
	"fmt"

	"github.com/prometheus/common/expfmt"
)

// render prepares the lines of the family that do not change. The library that
// knows the formats writes them, every value being zero; the lines are cut
// before the value. So names, help texts and labels are escaped by its rules.
func (f *family) render() error {
	f.dto.Metric = f.dto.Metric[:0]
	for _, s := range f.series {
		f.dto.Metric = append(f.dto.Metric, s.metric)
	}
	for text, write := range [texts]func(*bytes.Buffer) (int, error){
		plain: func(b *bytes.Buffer) (int, error) { return expfmt.MetricFamilyToText(b, f.dto) },
		open:  func(b *bytes.Buffer) (int, error) { return expfmt.MetricFamilyToOpenMetrics(b, f.dto) },
	} {
		var b bytes.Buffer
		if _, err := write(&b); err != nil {
			return fmt.Errorf("family %s: %w", f.dto.GetName(), err)
		}
		f.cut(b.Bytes(), text)
	}
	return nil
}

// cut shares the lines out: those of the head, then as many for each series as it has samples.
func (f *family) cut(page []byte, text int) {
	var samples [][]byte
	for line := range bytes.Lines(page) {
		if line[0] == '#' {
			f.head[text] = append(f.head[text], line...)
			continue
		}
		samples = append(samples, line[:bytes.LastIndexByte(line, ' ')+1])
	}
	for _, s := range f.series {
		n := 1
		if h := s.histogram; h != nil {
			n = len(h.Bucket) + 3 // +Inf, sum, count
		}
		s.lines[text], samples = samples[:n], samples[n:]
	}
}
