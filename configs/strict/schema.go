package strict

import "encoding/json"

// numberPattern is a number with or without a unit, as a text.
const numberPattern = `^\s*[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?\s*\S*\s*$`

// Schema returns the JSON Schema (draft 2020-12) of a file with this shape,
// for editors: keys, forms, choices and what each key is for. What takes
// knowledge of other values, units above all, only Parse and its callers check.
func Schema(title string, s *Shape) ([]byte, error) {
	m := s.schema()
	m["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	m["title"] = title
	out, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return nil, err
	}
	return append(out, '\n'), nil
}

func (s *Shape) schema() map[string]any {
	switch s.Form {
	case Table:
		return s.tableSchema()
	case Named:
		m := map[string]any{"type": "object", "additionalProperties": s.Of.schema()}
		if s.Fewest > 0 {
			m["minProperties"] = s.Fewest
		}
		return m
	case List:
		return s.listSchema()
	case Either:
		forms := make([]any, len(s.Forms))
		for i, f := range s.Forms {
			forms[i] = f.schema()
		}
		return map[string]any{"anyOf": forms}
	}
	return s.singleSchema()
}

func (s *Shape) tableSchema() map[string]any {
	properties := map[string]any{}
	var required []string
	for _, k := range s.Keys {
		p := k.Shape.schema()
		p["description"] = k.Doc
		properties[k.Name] = p
		if k.Needed {
			required = append(required, k.Name)
		}
	}
	m := map[string]any{"type": "object", "properties": properties, "additionalProperties": false}
	if required != nil {
		m["required"] = required
	}
	return m
}

func (s *Shape) listSchema() map[string]any {
	m := map[string]any{"type": "array", "items": s.Of.schema()}
	if s.Fewest > 0 {
		m["minItems"] = s.Fewest
	}
	if s.Most > 0 {
		m["maxItems"] = s.Most
	}
	return m
}

func (s *Shape) singleSchema() map[string]any {
	switch s.Form {
	case Integer:
		m := map[string]any{"type": "integer"}
		if s.Bounded {
			m["minimum"], m["maximum"] = s.Low, s.High
		}
		return m
	case Number:
		return map[string]any{"type": "number"}
	case Switch:
		return map[string]any{"type": "boolean"}
	case Measure:
		return map[string]any{"type": []string{"number", "string"}, "pattern": numberPattern}
	case Duration:
		return map[string]any{"type": []string{"string", "integer"}, "pattern": s.durationPattern()}
	case Choice:
		return map[string]any{"enum": s.Words}
	}
	return map[string]any{"type": []string{"string", "number", "boolean"}}
}

func (s *Shape) durationPattern() string {
	p := `^\s*[0-9.]`
	for _, w := range s.Words {
		p += "|^" + w + "$"
	}
	return p
}
