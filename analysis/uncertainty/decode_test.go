package uncertainty

import (
	"strings"
	"testing"

	"github.com/go-viper/mapstructure/v2"
	"go.yaml.in/yaml/v3"
)

// As a bench file states it; a misspelt entry is refused by its key.
func TestBudgetFromFile(t *testing.T) {
	decode := func(text string) (c BudgetConfig, err error) {
		var raw map[string]any
		if err := yaml.Unmarshal([]byte(text), &raw); err != nil {
			t.Fatal(err)
		}
		d, err := mapstructure.NewDecoder(&mapstructure.DecoderConfig{
			Result: &c, ErrorUnused: true, DecodeHook: mapstructure.TextUnmarshallerHookFunc(),
		})
		if err != nil {
			t.Fatal(err)
		}
		return c, d.Decode(raw)
	}
	c, err := decode(`
connector_repeatability: {value: 0.03 dB, phase: 0.2°, correlation: -0.2, distribution: normal}
crosstalk: {value: 46 dB, distribution: arcsine, reference: 100 MHz}
`)
	if err != nil {
		t.Fatal(err)
	}
	b, err := c.Budget()
	if err != nil {
		t.Fatal(err)
	}
	if e := b.Entry(Crosstalk); e.Reference != 100e6 || e.Distribution != Arcsine {
		t.Errorf("%+v", *e)
	}
	if e := b.Entry(ConnectorRepeatability); e.Correlation != -0.2 || e.Phase <= e.Value/2 {
		t.Errorf("%+v", *e)
	}
	for _, text := range []string{
		"conector_repeatability: {value: 0.03 dB, distribution: normal}",
		"crosstalk: {value: 46 dB, distribution: arcsine, corelation: 0}",
		"crosstalk: {value: 46, distribution: arcsine}",
	} {
		if c, err := decode(text); err == nil {
			t.Errorf("%s: %+v", text, c)
		} else if key, _, _ := strings.Cut(text, ":"); !strings.Contains(err.Error(), key) {
			t.Errorf("%s: %v", text, err)
		}
	}
}
