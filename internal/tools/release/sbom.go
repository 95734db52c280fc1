package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"strings"
	"time"
)

// bom is a list of what is in a program, in the form of CycloneDX 1.5.
type bom struct {
	Format       string       `json:"bomFormat"`
	Spec         string       `json:"specVersion"`
	Serial       string       `json:"serialNumber"`
	Version      int          `json:"version"`
	Metadata     metadata     `json:"metadata"`
	Components   []component  `json:"components"`
	Dependencies []dependency `json:"dependencies"`
}

type metadata struct {
	Timestamp string    `json:"timestamp"`
	Component component `json:"component"`
}

type component struct {
	Type     string        `json:"type"`
	Ref      string        `json:"bom-ref"`
	Name     string        `json:"name"`
	Version  string        `json:"version"`
	Hashes   []bomHash     `json:"hashes,omitempty"`
	Licenses []bomLicences `json:"licenses,omitempty"`
	Purl     string        `json:"purl,omitempty"`
}

type bomHash struct {
	Algorithm string `json:"alg"`
	Content   string `json:"content"`
}

// bomLicences is one licence, or alone a choice among several.
type bomLicences struct {
	License    *bomLicence `json:"license,omitempty"`
	Expression string      `json:"expression,omitempty"`
}

type bomLicence struct {
	ID   string `json:"id,omitempty"`
	Name string `json:"name,omitempty"`
}

type dependency struct {
	Ref       string   `json:"ref"`
	DependsOn []string `json:"dependsOn,omitempty"`
}

// sbom lists the parts of a program. The number of the list comes from the program's bytes.
func (r release) sbom(t target, program []byte, parts []part) ([]byte, error) {
	sum := sha256.Sum256(program)
	id := sum
	id[6], id[8] = id[6]&0x0f|0x80, id[8]&0x3f|0x80 // RFC 9562, version 8: of our own making
	self := part{"provoke", r.version, "pkg:golang/provoke@" + r.version + "?goos=" + t.system + "&goarch=" + t.machine,
		[]licence{{id: "MIT"}}}.component("application")
	self.Hashes = []bomHash{{"SHA-256", fmt.Sprintf("%x", sum)}}
	b := bom{Format: "CycloneDX", Spec: "1.5", Version: 1, Metadata: metadata{r.when.Format(time.RFC3339), self},
		Serial: fmt.Sprintf("urn:uuid:%x-%x-%x-%x-%x", id[:4], id[4:6], id[6:8], id[8:10], id[10:16])}
	of := dependency{Ref: self.Ref}
	for _, p := range parts {
		c := p.component("library")
		b.Components = append(b.Components, c)
		b.Dependencies = append(b.Dependencies, dependency{Ref: c.Ref})
		of.DependsOn = append(of.DependsOn, c.Ref)
	}
	b.Dependencies = append(b.Dependencies, of)
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	err := e.Encode(b)
	return out.Bytes(), err
}

func (p part) component(kind string) component {
	c := component{Type: kind, Ref: p.purl, Name: p.name, Version: p.version, Purl: p.purl}
	told := map[bomLicence]bool{{ID: notLicence}: true}
	for _, l := range p.licences {
		if strings.Contains(l.id, " OR ") {
			c.Licenses = []bomLicences{{Expression: l.id}}
			break
		}
		x := bomLicence{ID: l.id}
		if l.id == "" {
			x.Name = l.file + " of " + p.name
		}
		if !told[x] {
			told[x] = true
			c.Licenses = append(c.Licenses, bomLicences{License: &x})
		}
	}
	return c
}

// phrases are what the texts of licences can be told by, in this order, with their SPDX names.
var phrases = []struct{ text, id string }{
	{"FreeType License, which is similar to the original BSD license with an advertising clause, or * The GNU " +
		"General Public License (GPL), version 2 or later", "FTL OR GPL-2.0-or-later"},
	{"Apache License", "Apache-2.0"}, {"Eclipse Public License - v 2.0", "EPL-2.0"},
	{"SIL OPEN FONT LICENSE", "OFL-1.1"}, {"Creative Commons Attribution 4.0", "CC-BY-4.0"},
	{"Permission is hereby granted, free of charge", "MIT"},
	{"endorse or promote products derived from", "BSD-3-Clause"},
	{"Redistributions in binary form must reproduce", "BSD-2-Clause"},
}

// licenceOf names the licence that a text is; "" for one that it does not know.
func licenceOf(text string) string {
	flat := strings.Join(strings.Fields(text), " ")
	for _, p := range phrases {
		if strings.Contains(flat, p.text) {
			return p.id
		}
	}
	return ""
}
