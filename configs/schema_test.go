package configs

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"roundsman/collector/outsidetest"
)

var update = flag.Bool("update", false, "write the schemas anew")

func TestSchemasAreCurrent(t *testing.T) {
	site, contacts, rules, err := generate()
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string][]byte{"schema/site.json": site, "schema/contacts.json": contacts, "schema/rules.json": rules} {
		if *update {
			if err := os.WriteFile(name, want, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s does not fit the tables of keys; go generate ./configs writes it anew", name)
		}
		if !json.Valid(got) {
			t.Errorf("%s is no JSON", name)
		}
	}
	if *update {
		return
	}
	if !bytes.Equal(SiteSchema(), site) || !bytes.Equal(ContactsSchema(), contacts) || !bytes.Equal(RulesSchema(), rules) {
		t.Error("the embedded schemas are not those of the files")
	}
}

// TestSchemasByForeignValidator lets Python's jsonschema, an independent
// implementation of the draft, judge our files by our schemas.
func TestSchemasByForeignValidator(t *testing.T) {
	python := outsidetest.Python(t, "python3-jsonschema and python3-yaml", "jsonschema", "yaml")
	rules, err := filepath.Glob("demo/rules/*.yaml")
	if err != nil || len(rules) == 0 {
		t.Fatalf("no rule files: %v", err)
	}
	bad := filepath.Join(t.TempDir(), "bad.yaml")
	if err := os.WriteFile(bad, []byte("site: {name: x}\nlinks: {}\npoints: {a: {link: x, holding: 70000}}\nrulez: 1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cases := []struct {
		schema, file string
		valid        bool
	}{
		{"schema/site.json", "demo/site.yaml", true},
		{"schema/site.json", "examples/small-site.yaml", true},
		{"schema/rules.json", "examples/small-rules.yaml", true},
		{"schema/contacts.json", "demo/contacts.yaml", true},
		{"schema/contacts.json", "examples/small-contacts.yaml", true},
		{"schema/contacts.json", "demo/site.yaml", false},
		{"schema/site.json", bad, false},
		{"schema/rules.json", "demo/site.yaml", false},
	}
	args := []string{"-c", validator}
	for _, r := range rules {
		cases = append(cases, struct {
			schema, file string
			valid        bool
		}{"schema/rules.json", r, true})
	}
	for _, c := range cases {
		args = append(args, c.schema, c.file)
	}
	out, err := exec.Command(python, args...).Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	var found [][]string // what is wrong with each file
	if err := json.Unmarshal(out, &found); err != nil || len(found) != len(cases) {
		t.Fatalf("%v: %s", err, out)
	}
	for i, c := range cases {
		if (len(found[i]) == 0) != c.valid {
			t.Errorf("%s by %s: valid %t, want %t: %q", c.file, c.schema, len(found[i]) == 0, c.valid, found[i])
		}
	}
}

const validator = `
import json, sys, yaml, jsonschema
class Loader(yaml.SafeLoader):
    pass
# YAML 1.2: dates are texts, and keys are
Loader.yaml_implicit_resolvers = {k: [(t, r) for t, r in v if not t.endswith((":timestamp", ":bool"))] for k, v in yaml.SafeLoader.yaml_implicit_resolvers.items()}
import re
Loader.add_implicit_resolver("tag:yaml.org,2002:bool", re.compile("^(true|false)$"), list("tf"))
def text_keys(x):
    if isinstance(x, dict):
        return {str(k): text_keys(v) for k, v in x.items()}
    if isinstance(x, list):
        return [text_keys(v) for v in x]
    return x
found, checkers = [], {}
for schema in set(sys.argv[1::2]):
    tree = json.load(open(schema))
    jsonschema.Draft202012Validator.check_schema(tree)
    checkers[schema] = jsonschema.Draft202012Validator(tree)
for schema, file in zip(sys.argv[1::2], sys.argv[2::2]):
    checker = checkers[schema]
    found.append([e.json_path + ": " + e.message for e in checker.iter_errors(text_keys(yaml.load(open(file), Loader)))])
json.dump(found, sys.stdout)
`
