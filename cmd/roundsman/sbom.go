package main

import (
	"fmt"
	"net/url"
	"runtime/debug"
	"strings"
)

// The bill of materials in the open CycloneDX form, version 1.5 (ECMA-424), as JSON. Only what the build knows is in
// it: nothing is looked up, so the box can say itself what it runs.
type (
	bill struct {
		Format       string           `json:"bomFormat"`
		Spec         string           `json:"specVersion"`
		Version      int              `json:"version"`
		Metadata     billMetadata     `json:"metadata"`
		Components   []billComponent  `json:"components"`
		Dependencies []billDependency `json:"dependencies"`
	}
	billMetadata struct {
		Component billComponent `json:"component"`
	}
	billComponent struct {
		Type       string         `json:"type"`
		Ref        string         `json:"bom-ref"`
		Name       string         `json:"name"`
		Version    string         `json:"version,omitempty"`
		PURL       string         `json:"purl,omitempty"`
		Properties []billProperty `json:"properties,omitempty"`
	}
	billProperty struct {
		Name  string `json:"name"`
		Value string `json:"value"`
	}
	billDependency struct {
		Ref       string   `json:"ref"`
		DependsOn []string `json:"dependsOn"`
	}
)

// billOf lists the modules that a binary was linked from, the Go library among them. Each module's sum is the one that
// go.sum and the checksum database hold (https://go.dev/ref/mod, 'go.sum files'); it is no digest of a file and therefore
// a property.
func billOf(info *debug.BuildInfo) bill {
	b := bill{Format: "CycloneDX", Spec: "1.5", Version: 1, Components: []billComponent{}}
	b.Metadata.Component = billComponent{Type: "application", Ref: info.Main.Path, Name: info.Main.Path, Version: info.Main.Version}
	for _, s := range info.Settings {
		b.Metadata.Component.Properties = append(b.Metadata.Component.Properties, billProperty{"build:" + s.Key, s.Value})
	}
	needs := billDependency{Ref: info.Main.Path, DependsOn: []string{}}
	add := func(c billComponent) {
		b.Components = append(b.Components, c)
		needs.DependsOn = append(needs.DependsOn, c.Ref)
	}
	std := strings.TrimPrefix(info.GoVersion, "go")
	add(billComponent{Type: "library", Ref: "pkg:golang/std@" + std, Name: "std", Version: std, PURL: "pkg:golang/std@" + std})
	for _, m := range info.Deps {
		if m.Replace != nil {
			m = m.Replace
		}
		c := billComponent{Type: "library", Name: m.Path, Version: m.Version, PURL: purl(m.Path, m.Version)}
		c.Ref = c.PURL
		if m.Sum != "" {
			c.Properties = []billProperty{{"go:sum", m.Sum}}
		}
		add(c)
	}
	b.Dependencies = []billDependency{needs}
	return b
}

// purl is a module's package URL (ECMA-427, type golang): in lower case, each part of the path escaped.
func purl(path, version string) string {
	parts := strings.Split(strings.ToLower(path), "/")
	for i, p := range parts {
		parts[i] = url.PathEscape(p)
	}
	return fmt.Sprintf("pkg:golang/%s@%s", strings.Join(parts, "/"), url.QueryEscape(version))
}
