package metrics

import (
	"slices"
	"strings"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
)

// A sample is one series at one scrape. It shares its labels with every other scrape, which is why it is no
// constant metric of the client library: that one would build and sort them anew each time.
type sample struct {
	family *family
	labels labels
	value  float64
}

// Desc describes the sample's family.
func (s *sample) Desc() *prometheus.Desc { return s.family.desc }

// Write puts the sample into a message of the client library.
func (s *sample) Write(out *dto.Metric) error {
	out.Label = s.labels
	if s.family.counter {
		out.Counter = &dto.Counter{Value: &s.value}
	} else {
		out.Gauge = &dto.Gauge{Value: &s.value}
	}
	return nil
}

// labels are sorted by name and never change.
type labels []*dto.LabelPair

// newLabels pairs the family's label names with values, which are in the family's order, and makes them fit to be
// exposed.
func newLabels(f *family, values ...string) labels {
	l := make(labels, len(values))
	for i, v := range values {
		v = clean(v)
		l[i] = &dto.LabelPair{Name: &f.labels[i], Value: &v}
	}
	return l.sorted()
}

// with returns the labels with some more.
func (l labels) with(more ...*dto.LabelPair) labels {
	all := make(labels, 0, len(l)+len(more))
	return append(append(all, l...), more...).sorted()
}

func (l labels) sorted() labels {
	slices.SortFunc(l, func(a, b *dto.LabelPair) int { return strings.Compare(*a.Name, *b.Name) })
	return l
}

func pair(name, value string) *dto.LabelPair {
	value = clean(value)
	return &dto.LabelPair{Name: &name, Value: &value}
}

// clean makes any bytes a label value: those that are no UTF-8, as a device may send, are replaced.
func clean(s string) string { return strings.ToValidUTF8(s, "\uFFFD") }

func one(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}
