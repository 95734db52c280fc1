package levels

import (
	"fmt"
	"io"

	"provoke/internal/model/level"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

type profileRow struct {
	ID          string       `json:"id"`
	VariantOf   string       `json:"variant_of,omitempty"`
	Title       string       `json:"title"`
	Low         *rf.Quantity `json:"low"`
	High        *rf.Quantity `json:"high"`
	Means       string       `json:"means"`
	Convention  string       `json:"convention"`
	Modulations []string     `json:"modulations"`
	Source      string       `json:"source"`
	Confidence  string       `json:"confidence"`
	Verified    bool         `json:"verified"`
	Mark        string       `json:"mark,omitempty"`
	Notes       []string     `json:"notes,omitempty"`
	Steps       []string     `json:"steps,omitempty"`
}

type stepRow struct {
	ID         string       `json:"id"`
	Title      string       `json:"title"`
	Dwell      *rf.Quantity `json:"dwell"`
	DwellNote  string       `json:"dwell_note"`
	Source     string       `json:"source"`
	Confidence string       `json:"confidence"`
	Verified   bool         `json:"verified"`
	Mark       string       `json:"mark,omitempty"`
}

// ProfilesJSON prints every named profile and step rule in the documented JSON shape.
func ProfilesJSON(out io.Writer) error {
	var list struct {
		Profiles []profileRow `json:"profiles"`
		Steps    []stepRow    `json:"steps"`
	}
	for _, p := range level.Profiles() {
		list.Profiles = append(list.Profiles, rowOfProfile(p))
	}
	for _, r := range level.StepRules() {
		list.Steps = append(list.Steps, stepRow{r.ID, r.Title, r.Dwell.Quantity(), r.DwellNote, r.Source,
			r.Confidence, r.Verified, r.Mark()})
	}
	return terminal.PrintJSON(out, list)
}

// PrintProfiles prints every named profile and step rule with its mark.
func PrintProfiles(out io.Writer) error {
	tw := terminal.ExactTable(out)
	fmt.Fprintln(tw, "PROFILE\tLEVEL\tBAND\tCONVENTION\tFIGURES")
	for _, p := range level.Profiles() {
		fmt.Fprintf(tw, "%s\t%s\t%v to %v\t%s\t%s\n", p.ID, p.Title, p.Low, p.High, p.Hold,
			figures(p.Mark(), p.Confidence))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(out)
	tw = terminal.ExactTable(out)
	fmt.Fprintln(tw, "STEP RULE\tWHAT\tSHORTEST DWELL\tFIGURES")
	for _, r := range level.StepRules() {
		fmt.Fprintf(tw, "%s\t%s\t%v\t%s\n", r.ID, r.Title, r.Dwell, figures(r.Mark(), r.Confidence))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintln(out, "\nFor one of them: provoke level \"profile ID at FREQUENCY\". Own levels go into the "+
		"plan: a constant current, a curve, a list.")
	return err
}

func figures(mark, confidence string) string {
	if mark == "" {
		return confidence
	}
	return mark + " (" + confidence + ")"
}

func rowOfProfile(p level.Profile) profileRow {
	r := profileRow{
		ID: p.ID, VariantOf: p.VariantOf, Title: p.Title, Low: p.Low.Quantity(), High: p.High.Quantity(),
		Means: p.Means, Convention: string(p.Hold), Source: p.Source, Confidence: p.Confidence,
		Verified: p.Verified, Mark: p.Mark(), Notes: p.Notes, Steps: p.Steps,
	}
	for _, m := range p.Modulations {
		r.Modulations = append(r.Modulations, m.String())
	}
	return r
}
