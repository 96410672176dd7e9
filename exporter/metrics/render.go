package metrics

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
)

// The library that knows the formats writes, once, what does not change of a page: heads, names and labels are escaped by
// its rules. A sample's line is its family's name, its labels and its value; the labels of a point or an alarm are the same
// text in each of its families and are kept once. Whole lines, ready for both formats beside the library's own structures,
// took 7 MiB for a thousand points with two rules each.

// written returns the family with one metric in a text format.
func written(f *dto.MetricFamily, m *dto.Metric, text int) ([]byte, error) {
	one := &dto.MetricFamily{Name: f.Name, Help: f.Help, Type: f.Type, Unit: f.Unit, Metric: []*dto.Metric{m}}
	var b bytes.Buffer
	var err error
	if text == open {
		_, err = expfmt.MetricFamilyToOpenMetrics(&b, one)
	} else {
		_, err = expfmt.MetricFamilyToText(&b, one)
	}
	if err != nil {
		return nil, fmt.Errorf("family %s: %w", f.GetName(), err)
	}
	return b.Bytes(), nil
}

// render prepares the head of the family and its name as samples carry it.
func (f *family) render() error {
	for text := range texts {
		page, err := written(f.dto, metricOf(f.dto.GetType(), nil, 0), text)
		if err != nil {
			return err
		}
		for line := range bytes.Lines(page) {
			if line[0] == '#' {
				f.head[text] += string(line)
			} else if f.stem[text] == "" {
				f.stem[text] = string(line[:bytes.IndexByte(line, ' ')])
			}
		}
	}
	return nil
}

// labelText returns the labels as they stand in a line, with the blank before the value.
func labelText(labels []*dto.LabelPair) string {
	name := "x"
	gauge := dto.MetricType_GAUGE
	line, err := written(&dto.MetricFamily{Name: &name, Type: &gauge}, metricOf(gauge, labels, 0), plain)
	if err != nil { // cannot be: the library refuses names of families only
		return " "
	}
	line = line[bytes.IndexByte(line, '\n')+1:] // TYPE
	return string(line[len(name) : bytes.LastIndexByte(line, ' ')+1])
}

// labelsOf reads labels back from their text, for what goes through the library.
func labelsOf(text string) (list []*dto.LabelPair) {
	rest := strings.TrimPrefix(strings.TrimSpace(text), "{")
	for {
		name, after, _ := strings.Cut(rest, "=")
		quoted, err := strconv.QuotedPrefix(after)
		if err != nil { // the end: what the library wrote is quoted right
			return list
		}
		value, err := strconv.Unquote(quoted)
		if err != nil {
			return list
		}
		list = append(list, &dto.LabelPair{Name: &name, Value: &value})
		rest = strings.TrimPrefix(after[len(quoted):], ",")
	}
}

// metricOf returns one metric as the library knows it.
func metricOf(t dto.MetricType, labels []*dto.LabelPair, value float64) *dto.Metric {
	m := &dto.Metric{Label: labels}
	switch t {
	case dto.MetricType_COUNTER:
		m.Counter = &dto.Counter{Value: &value}
	case dto.MetricType_HISTOGRAM:
		m.Histogram = newHistogram()
	default:
		m.Gauge = &dto.Gauge{Value: &value}
	}
	return m
}

// lines returns all lines of a histogram's samples up to the value.
func (f *family) lines(labels []*dto.LabelPair, text int) (lines [][]byte) {
	page, err := written(f.dto, metricOf(dto.MetricType_HISTOGRAM, labels, 0), text)
	if err != nil { // render says the same and leaves the family out
		return nil
	}
	for line := range bytes.Lines(page) {
		if line[0] != '#' {
			lines = append(lines, line[:bytes.LastIndexByte(line, ' ')+1])
		}
	}
	return lines
}
