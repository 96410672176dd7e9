package pointlist_test

import (
	"testing"

	"roundsman/configs/pointlist"
)

func TestParseSpan(t *testing.T) {
	for text, want := range map[string]pointlist.Span{
		"0-16 bar":        {Low: 0, High: 16, Unit: "bar"},
		"0 bar - 16 bar":  {Low: 0, High: 16, Unit: "bar"},
		"0..16bar":        {Low: 0, High: 16, Unit: "bar"},
		"-10 to 110 °C":   {Low: -10, High: 110, Unit: "°C"},
		"-10...110°C":     {Low: -10, High: 110, Unit: "°C"},
		"-1,5 bis 2,5 m3": {Low: -1.5, High: 2.5, Unit: "m3"},
		"0–27648":         {Low: 0, High: 27648},
		"4-20 mA":         {Low: 4, High: 20, Unit: "mA"},
		"0 - -1 bar":      {Low: 0, High: -1, Unit: "bar"},
		"100-0 %":         {Low: 100, High: 0, Unit: "%"},
		"0/4095":          {Low: 0, High: 4095},
		"0 to 5 kg/cm2":   {Low: 0, High: 5, Unit: "kg/cm2"},
	} {
		if got, ok := pointlist.ParseSpan(text); !ok || got != want {
			t.Errorf("%q: got %+v %v, want %+v", text, got, ok, want)
		}
	}
	for _, text := range []string{"", "16 bar", "5-5", "0 bar - 16 psi", "a-b", "0-16-20", "1 2 3", "bar", "0-27648 = 0-16 bar"} {
		if got, ok := pointlist.ParseSpan(text); ok {
			t.Errorf("%q: got %+v, want nothing", text, got)
		}
	}
}
