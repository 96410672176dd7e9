package configs

import (
	_ "embed"

	"roundsman/configs/strict"
)

//go:generate go test -run ^TestSchemasAreCurrent$ -update

//go:embed schema/site.json
var siteSchema []byte

//go:embed schema/contacts.json
var contactsSchema []byte

//go:embed schema/rules.json
var rulesSchema []byte

// SiteSchema returns the JSON Schema of the site file, for editors.
func SiteSchema() []byte { return append([]byte(nil), siteSchema...) }

// ContactsSchema returns the JSON Schema of the contacts file, for editors.
func ContactsSchema() []byte { return append([]byte(nil), contactsSchema...) }

// RulesSchema returns the JSON Schema of a rule file, for editors.
func RulesSchema() []byte { return append([]byte(nil), rulesSchema...) }

// generate writes the schemas anew from the tables of keys.
func generate() (site, contacts, rules []byte, err error) {
	if site, err = strict.Schema("Roundsman site file", siteShape()); err != nil {
		return nil, nil, nil, err
	}
	if contacts, err = strict.Schema("Roundsman contacts file", contactsShape()); err != nil {
		return nil, nil, nil, err
	}
	rules, err = strict.Schema("Roundsman rule file", rulesShape())
	return site, contacts, rules, err
}
