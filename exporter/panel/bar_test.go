package panel

import (
	"testing"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/rules"
)

// A limit that counts only while the compressor does not load must not hide the low limit of the header.
func TestLimitsThatCountOnlySometimes(t *testing.T) {
	site := &exporter.Site{
		Points: []collector.Point{{Name: "air.header.pressure", Kind: collector.Number, Low: 0, High: 16, Unit: "bar", Digits: 1}, {Name: "air.dryer.pressure"}},
		Rules: []rules.Rule{
			{Name: "air-not-loading", Point: 0, Kind: rules.Low, Limit: 6.5, While: []rules.Term{{Point: 1}}},
			{Name: "air-low", Point: 0, Kind: rules.Low, Limit: 5.5},
			{Name: "dryer-low", Point: 1, Kind: rules.Low, Limit: 6, While: []rules.Term{{Point: 0}}},
		},
	}
	all := limitsOf(site)
	if all[0].low != 5.5 {
		t.Errorf("low of the header is %v, want 5.5", all[0].low)
	}
	if all[1].low != 6 {
		t.Errorf("low behind the dryer is %v, want 6: there is no other", all[1].low)
	}
}
