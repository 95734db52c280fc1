package models

import (
	"provoke/internal/model/design"
	"provoke/internal/model/ferrite"
	"provoke/internal/units/rf"
)

type designJSON struct {
	Name     string           `json:"name"`
	Material materialJSON     `json:"material"`
	Wanted   wantedJSON       `json:"wanted"`
	Table    []designRowJSON  `json:"table"`
	Shown    designShownJSON  `json:"shown"`
	Probe    *probeDesignJSON `json:"probe"`
}

type materialJSON struct {
	Name     string   `json:"name"`
	Invented bool     `json:"invented"`
	File     string   `json:"file"`
	SHA256   string   `json:"sha256"`
	Model    *string  `json:"model"`
	RMS      *float64 `json:"fit_rms"`
	Worst    *float64 `json:"fit_worst"`
}

type wantedJSON struct {
	Current *rf.Quantity `json:"current"`
	Loop    float64      `json:"loop_ohm"`
	LowHz   float64      `json:"low_hz"`
	HighHz  float64      `json:"high_hz"`
	Crest   *float64     `json:"crest_db"`
	Mean    *float64     `json:"mean_db"`
	Forward *rf.Quantity `json:"forward"`
}

type designRowJSON struct {
	Turns      int          `json:"turns"`
	Stack      int          `json:"stack"`
	Needed     *rf.Quantity `json:"needed"`
	NeededHz   *float64     `json:"needed_hz"`
	Flux       *rf.Quantity `json:"flux"`
	FluxHz     *float64     `json:"flux_hz"`
	Heat       *rf.Quantity `json:"heat"`
	Rise       *float64     `json:"rise_k"`
	Reflection *float64     `json:"reflection"`
	Series     *float64     `json:"series_ohm"`
	Variation  *float64     `json:"variation_db"`
	Against    []string     `json:"against"`
}

type designShownJSON struct {
	Turns  int               `json:"turns"`
	Stack  int               `json:"stack"`
	Points []designPointJSON `json:"points"`
}

type designPointJSON struct {
	Hz            float64      `json:"hz"`
	InsertionLoss *float64     `json:"insertion_loss_db"`
	Series        [2]float64   `json:"series_ohm"`
	Current       *rf.Quantity `json:"current_per_watt"`
	PerTurn       *float64     `json:"volts_per_turn"`
	Flux          *rf.Quantity `json:"flux"`
	Heat          *rf.Quantity `json:"heat"`
	Reflection    *float64     `json:"reflection"`
	Needed        *rf.Quantity `json:"needed"`
	FluxWanted    *rf.Quantity `json:"flux_wanted"`
	HeatWanted    *rf.Quantity `json:"heat_wanted"`
}

type probeDesignJSON struct {
	Monitoring *rf.Quantity `json:"monitoring"`
	Injecting  *rf.Quantity `json:"injecting"`
	Ratio      *float64     `json:"ratio"`
	Drive      *float64     `json:"drive_volts"`
	Load       *float64     `json:"load_watts"`
}

func materialShape(m ferrite.Material) materialJSON {
	out := materialJSON{Name: m.Name, Invented: m.Invented, File: m.File, SHA256: m.Hash}
	if m.Fit != nil {
		out.Model, out.RMS, out.Worst = &m.Model, rf.OrNullRounded(m.Fit.RMS, 6), rf.OrNullRounded(m.Fit.Worst, 6)
	}
	return out
}

// DesignShape is a design for --json.
func DesignShape(d *design.Clamp, all []design.Result, shown design.Result) designJSON {
	out := designJSON{Name: d.Name, Material: materialShape(d.Material),
		Shown: designShownJSON{Turns: shown.Winding.Turns, Stack: shown.Stack},
		Wanted: wantedJSON{d.Current.Quantity(), float64(d.Loop), d.Low.Hz(), d.High.Hz(), rf.OrNullRounded(d.Crest, 6),
			rf.OrNullRounded(d.Mean, 6), d.Forward.Quantity()}}
	for _, r := range all {
		out.Table = append(out.Table, designRowJSON{r.Winding.Turns, r.Stack, r.Needed.Quantity(), r.NeededAt.OrNull(),
			r.Flux.Quantity(), r.FluxAt.OrNull(), r.Heat.Quantity(),
			rf.OrNullRounded(r.Rise, 6), rf.OrNullRounded(r.Reflection, 6), rf.OrNullRounded(r.Series, 6),
			rf.OrNullRounded(r.Flattest, 6), append([]string{}, r.Against...)})
	}
	for _, p := range shown.Points {
		out.Shown.Points = append(out.Shown.Points, designPointJSON{p.Frequency.Hz(),
			rf.OrNullRounded(p.InsertionLoss, 6), [2]float64{real(p.Series), imag(p.Series)}, p.Current.Quantity(),
			rf.OrNullRounded(p.PerTurn, 6), p.Flux.Quantity(), p.Heat.Quantity(), rf.OrNullRounded(p.Reflection, 6),
			p.Needed.Quantity(), p.FluxWanted.Quantity(), p.HeatWanted.Quantity()})
	}
	if x := d.WhyNotTheProbe(); x != nil {
		out.Probe = &probeDesignJSON{x.Monitoring.Quantity(), x.Injecting.Quantity(), rf.OrNullRounded(x.Ratio, 6),
			rf.OrNullRounded(x.Drive, 6), rf.OrNullRounded(x.Load, 6)}
	}
	return out
}
