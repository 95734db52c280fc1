package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"provoke/internal/model/level"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// levelCommand is the desk calculator: it reads levels, gear and standards in words and shows each
// step of the working. level_words.go reads, level_working.go computes, this file prints.
type levelCommand struct {
	Expression []string `arg:"" optional:"" help:"A level, a piece of gear or a profile in words; see the examples."`

	Pad        []string `sep:"none" placeholder:"DB" help:"Attenuator between probe and analyser, or between generator and clamp."`
	Coax       []string `sep:"none" placeholder:"DB" help:"Loss of coaxial cable there."`
	Zt         []string `sep:"none" placeholder:"DBOHM" help:"Transfer impedance of the current probe."`
	Il         []string `sep:"none" placeholder:"DB" help:"Insertion loss of the injection clamp in the 50 Ω jig."`
	Limit      []string `sep:"none" placeholder:"LEVEL" help:"What the crest must stay below: at the analyser, at the clamp, or a current."`
	Modulation []string `sep:"none" placeholder:"TEXT" help:"Modulation, e.g. \"AM 80 %\"; carrier held and peak held are both shown unless it says which."`
	Profiles   bool     `help:"List the level profiles and step rules of the standards."`
	JSON       bool     `name:"json" help:"Print the documented JSON shape."`
}

// Help is the long help with examples.
func (levelCommand) Help() string {
	return `Write quantities as on paper, with their units: "1 Vpp", "66 dBuV", "-20 dBm", "100 mA", "10 V emf", "27.12 MHz", "20 V/m".
Decimal comma and point are both read. Quotation marks may be left out where the shell keeps the words apart.

Examples
  provoke level "1 Vpp"                                          in 50 Ω, and what a generator set for high-Z makes of it
  provoke level "66 dBuV" "pad 20 dB" "coax 1.2 dB" "zt 14 dBohm"  cable current behind an analyser's reading
  provoke level "100 mA" "il 7 dB"                               forward power for a current in the 50 Ω jig
  provoke level "100 dBuA" "zt 14 dBohm" "AM 80 %" "limit -10 dBm"   analyser level, its crest, and the pad it needs
  provoke level "10 V emf"                                       loop current, clamp limit and jig reading of the 150 Ω system
  provoke level "0 dBm" "AM 80 %"                                crest and mean, carrier held and peak held
  provoke level "profile cs114/curve-4 at 500 kHz"               what a standard asks for
  provoke level "s21 -20 dB"                                     transfer impedance from a 50 Ω jig measurement
  provoke level "VSWR 1.5" "VSWR 1.2"                            match, and the error the two together can make
  provoke level "27.12 MHz"                                      wavelength and a tenth of it

Words: pad, coax, zt, il, limit, s21, VSWR, return loss, profile ID [at FREQUENCY], AM, pulse, CW, carrier held, peak held, emf.

--json prints {"results":[{"input","with":[...],"kind","lines":[{"name","what","quantity","linear","working"}],"cautions":[...]}]}. A
quantity is {"text","value","unit","bound"}: value in the SI unit named, or in dB for a gain. Names are stable; those that a kind of
result may hold: power, voltage, peak_to_peak, current_in_50_ohm, high_z_setting, high_z_delivers, before_losses, cable_current,
forward_power, before_clamp_losses, jig_current, current, power_in_50_ohm, emf_50_ohm_jig, emf_150_ohm_loop, probe_output,
probe_voltage, analyser_level, analyser_voltage, compared_level, limit, headroom, pad_needed, emf, loop_current, clamp_limit,
jig_reading, jig_reading_power, asked_current, transfer_impedance, transfer_admittance, reflection, return_loss, mismatch_loss,
mismatch_high, mismatch_low, mismatch_uncertainty, wavelength, tenth_of_wavelength, quarter_wavelength, indicative_low,
indicative_high, crest_over_carrier, rms_over_carrier, mean_power_ratio, carrier_held_carrier, carrier_held_peak, carrier_held_rms,
peak_held_carrier, peak_held_peak, peak_held_rms (each of the last six also with _over_level).
--profiles --json prints {"profiles":[...],"steps":[...]}.`
}

// Run prints what the expressions come to.
func (c *levelCommand) Run(w *terminal.World) error {
	if c.Profiles {
		if len(c.Expression) > 0 {
			return terminal.WithCode(terminal.ExitUsage, errors.New("--profiles lists everything and takes no expression"))
		}
		if c.JSON {
			return c.listProfiles(w.Stdout)
		}
		return terminal.OnPage(w.Stdout, c.listProfiles)
	}
	asked, list := readLevelWords(c.pieces())
	var sheets []levelSheet
	if list.Err() == nil {
		sheets, list = asked.work()
	}
	if err := list.Err(); err != nil {
		return terminal.WithCode(terminal.ExitUsage, err)
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, struct {
			Results []levelSheet `json:"results"`
		}{sheets})
	}
	for i, s := range sheets {
		if i > 0 {
			fmt.Fprintln(w.Stdout)
		}
		if err := terminal.OnPage(w.Stdout, s.print); err != nil {
			return err
		}
	}
	return nil
}

// pieces returns the expressions and the flags that stand for one, each with its place.
func (c *levelCommand) pieces() []levelPiece {
	out := joinWords(c.Expression)
	for _, f := range []struct {
		flag, word string
		texts      []string
	}{
		{"--pad", "pad ", c.Pad}, {"--coax", "coax ", c.Coax}, {"--zt", "zt ", c.Zt},
		{"--il", "il ", c.Il}, {"--limit", "limit ", c.Limit}, {"--modulation", "", c.Modulation},
	} {
		for _, t := range f.texts {
			out = append(out, levelPiece{place: f.flag, text: f.word + t, flag: f.flag})
		}
	}
	return out
}

// print writes one sheet as a table: what, in decibel, in plain units, how it came about.
func (s levelSheet) print(out io.Writer) error {
	fmt.Fprintln(out, strings.Join(append([]string{s.Input}, s.With...), ", "))
	tw := terminal.ExactTable(out)
	for _, l := range s.Lines {
		linear := l.Linear
		text := "–"
		if l.Quantity != nil {
			text = l.Quantity.Text
		}
		working := ""
		if l.Working != "" {
			working = "= " + l.Working
		}
		row := fmt.Sprintf("  %s\t%s\t%s\t%s", l.What, text, linear, working)
		fmt.Fprintln(tw, strings.TrimRight(row, "\t"))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	for _, c := range s.Cautions {
		fmt.Fprintln(out, "  note: "+c)
	}
	return nil
}

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

// listProfiles prints every named profile and step rule with its mark.
func (c *levelCommand) listProfiles(out io.Writer) error {
	if c.JSON {
		var list struct {
			Profiles []profileRow `json:"profiles"`
			Steps    []stepRow    `json:"steps"`
		}
		for _, p := range level.Profiles() {
			list.Profiles = append(list.Profiles, rowOfProfile(p))
		}
		for _, r := range level.StepRules() {
			list.Steps = append(list.Steps, stepRow{r.ID, r.Title, r.Dwell.Quantity(), r.DwellNote, r.Source, r.Confidence, r.Verified, r.Mark()})
		}
		return terminal.PrintJSON(out, list)
	}
	tw := terminal.ExactTable(out)
	fmt.Fprintln(tw, "PROFILE\tLEVEL\tBAND\tCONVENTION\tFIGURES")
	for _, p := range level.Profiles() {
		fmt.Fprintf(tw, "%s\t%s\t%v to %v\t%s\t%s\n", p.ID, p.Title, p.Low, p.High, p.Hold, figures(p.Mark(), p.Confidence))
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
	_, err := fmt.Fprintln(out, "\nFor one of them: provoke level \"profile ID at FREQUENCY\". Own levels go into the plan: a constant current, a curve, a list.")
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
