package reference

import (
	"testing"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/tsdb"

	"ringwarden/store/storetest"
)

func TestX(t *testing.T) {
	_ = labels.FromStrings
	_ = tsdb.DefaultOptions
	_ = storetest.NewFleet
}
