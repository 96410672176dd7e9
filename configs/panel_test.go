package configs_test

import (
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"

	"roundsman/configs"
)

func TestPanelKeys(t *testing.T) {
	const usual = "people.passwords"
	for _, tt := range []struct {
		text   string
		listen configs.Listen
		panel  configs.Panel
	}{
		{"", configs.Listen{Address: "127.0.0.1:9480"}, configs.Panel{Passwords: usual}},
		{"listen: {address: '0.0.0.0:9480', certificate: self-made, names: [box.example, 192.0.2.9, '2001:db8::9']}",
			configs.Listen{Address: "0.0.0.0:9480", SelfMade: true, Names: []string{"box.example", "192.0.2.9", "2001:db8::9"}}, configs.Panel{Passwords: usual}},
		{"listen: {address: '[::]:9480', certificate: box.pem, key: box.key, names: box}",
			configs.Listen{Address: "[::]:9480", Certificate: "box.pem", Key: "box.key", Names: []string{"box"}}, configs.Panel{Passwords: usual}},
		{"panel: {view: anyone}", configs.Listen{Address: "127.0.0.1:9480"}, configs.Panel{View: configs.ViewAnyone, Passwords: usual}},
		{"panel: {view: people, passwords: who}", configs.Listen{Address: "127.0.0.1:9480"}, configs.Panel{View: configs.ViewPeople, Passwords: "who"}},
	} {
		site, err := configs.Load(fstest.MapFS{"site.yaml": {Data: []byte("site: {name: x}\nlinks: {a: {modbus: 'tcp://127.0.0.1:502'}}\npoints: {p: {link: a, holding: 1}}\n" + tt.text)}}, "site.yaml")
		if err != nil {
			t.Errorf("%s: %v", tt.text, err)
			continue
		}
		if diff := cmp.Diff(tt.listen, site.Listen) + cmp.Diff(tt.panel, site.Panel); diff != "" {
			t.Errorf("%s (-want +got)\n%s", tt.text, diff)
		}
		if site.Listen.TLS() != (tt.listen.Address != "127.0.0.1:9480") || site.Listen.Loopback() == site.Listen.TLS() {
			t.Errorf("%s: TLS %t, loopback %t", tt.text, site.Listen.TLS(), site.Listen.Loopback())
		}
	}
}
