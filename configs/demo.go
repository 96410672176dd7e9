package configs

import (
	"embed"
	"io/fs"
)

//go:embed demo
var demo embed.FS

// Demo returns the files of the demonstration site, Ardenmoor Wash, and the
// name of its site file. 'roundsman demo' replaces the links' addresses after loading.
func Demo() (fs.FS, string) {
	sub, err := fs.Sub(demo, "demo")
	if err != nil { // only for an invalid name
		return demo, "demo/site.yaml"
	}
	return sub, "site.yaml"
}
