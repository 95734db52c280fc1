package jig

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// Edition is the edition of the basic standard whose saturation check is made.
type Edition string

// The editions of IEC 61000-4-6.
const (
	OlderEdition Edition = "older" // edition 4 (2013)
	NewerEdition Edition = "newer" // edition 5 (2023)
)

// UnmarshalText reads an edition.
func (e *Edition) UnmarshalText(text []byte) error {
	*e = Edition(strings.TrimSpace(string(text)))
	return document.OneOf(string(*e), string(OlderEdition), string(NewerEdition))
}

// SaturationCheck is the check of an edition as data. None was read in the standard's text.
type SaturationCheck struct {
	Edition    Edition
	Step       rf.Gain // by which the drive is raised, unmodulated: the crest of 80 % AM
	Least      rf.Gain // the output must rise by this at least
	Most       rf.Gain // and by this at most; 0 for no upper limit
	Confidence string
	Verified   bool
}

// Mark returns the words that belong beside every verdict of the check, or "".
func (c SaturationCheck) Mark() string {
	if c.Verified {
		return ""
	}
	return level.Unverified + " (" + c.Confidence + ")"
}

// String says what the check asks.
func (c SaturationCheck) String() string {
	s := fmt.Sprintf("%s up must give %s or more", c.Step.Text(1), c.Least.Text(1))
	if c.Most != 0 {
		s = fmt.Sprintf("%s up must give %s to %s", c.Step.Text(1), c.Least.Text(1), c.Most.Text(1))
	}
	return s
}

func (c SaturationCheck) passes(rise rf.Gain) bool {
	const rounding = 1e-9
	return rise >= c.Least-rounding && (c.Most == 0 || rise <= c.Most+rounding)
}

// SaturationChecks are the checks known.
var SaturationChecks = map[Edition]SaturationCheck{
	OlderEdition: {Edition: OlderEdition, Step: 5.1, Least: 3.1, Most: 7.1, Confidence: "from memory, high"},
	NewerEdition: {Edition: NewerEdition, Step: 5.1, Least: 3.1,
		Confidence: "compression of 2 dB at most at the crest; the criterion itself was not seen; from memory, low"},
}

// DriveLevel is one drive and what it gave, in the jig, without modulation.
type DriveLevel struct {
	Frequency rf.Frequency
	Drive     rf.Power   // generator setting, or any level ahead of what may compress
	Current   rf.Current // measured in the jig
}

// LinearSetup is how linearity is judged.
type LinearSetup struct {
	Edition Edition // empty: no check of a standard
	// Limit is the gain compression up to which a current counts as usable; 0 means 1 dB.
	Limit rf.Gain
	// Crest is what the modulation adds to the carrier; usable currents are given with it held free.
	// 0 for CW.
	Crest rf.Gain
}

// Linearity is how current follows drive.
type Linearity struct {
	Check   *SaturationCheck
	Setup   LinearSetup
	Points  []LinearPoint
	Remarks []string
	// Usable is the largest carrier usable at every frequency, at UsableAt its worst. A bound "at
	// least" means that no compression was reached.
	Usable   rf.Current
	UsableAt rf.Frequency
}

// LinearPoint is one frequency.
type LinearPoint struct {
	Frequency rf.Frequency
	Levels    []LinearLevel // by rising drive
	// Usable is the largest carrier whose crest is compressed by no more than the limit: at least the
	// highest measured less the crest where the limit was not reached.
	Usable rf.Current
	// Checked is the highest drive at which the check of the standard could be made; Passed whether
	// every one up to there passed, PassedTo the highest current up to which it did.
	Checked  bool
	Passed   bool
	PassedTo rf.Current
	Rise     rf.Gain // at the highest drive checked; NaN where none could be made
}

// LinearLevel is one drive level.
type LinearLevel struct {
	Drive       rf.Power
	Current     rf.Current
	Compression rf.Gain // against the gain at the lowest drive
	// Step is how much the current rose for each dB of drive since the level before; NaN at the first.
	Step rf.Gain
}

// MeasureLinearity works out compression, usable current and the standard's check from measurements
// at two or more drives per frequency. Frequencies with one drive are left out, with a remark.
func MeasureLinearity(levels []DriveLevel, setup LinearSetup) (Linearity, error) {
	if setup.Limit == 0 {
		setup.Limit = 1
	}
	out := Linearity{Setup: setup}
	if setup.Limit < 0 || setup.Crest < 0 {
		return out, errors.New("linearity: the compression allowed and the crest cannot be negative")
	}
	if setup.Edition != "" {
		c, ok := SaturationChecks[setup.Edition]
		if !ok {
			return out, fmt.Errorf("linearity: no saturation check is known for the edition %q", setup.Edition)
		}
		out.Check = &c
	}
	by := map[rf.Frequency][]DriveLevel{}
	bounded := 0
	for _, l := range levels {
		if !l.Current.Exact() || l.Current.IsOff() || !l.Drive.Exact() || l.Drive.IsOff() || !l.Frequency.Known() {
			bounded++
			continue
		}
		by[l.Frequency] = append(by[l.Frequency], l)
	}
	single := 0
	for _, f := range sorted(by) {
		p, ok := linearPoint(f, by[f], out)
		if !ok {
			single++
			continue
		}
		out.Points = append(out.Points, p)
	}
	if bounded > 0 {
		out.Remarks = append(out.Remarks, fmt.Sprintf("%d readings that are bounds, or without a drive, were left out",
			bounded))
	}
	if single > 0 {
		out.Remarks = append(out.Remarks, fmt.Sprintf("%d frequencies with fewer than two drives were left out",
			single))
	}
	if len(out.Points) == 0 {
		return out,
			errors.New("linearity needs readings at two drives or more at one frequency: run the calibration again " +
				"with the drive 1 dB, or 5.1 dB, higher")
	}
	out.worst()
	return out, nil
}

func (l *Linearity) worst() {
	for _, p := range l.Points {
		if l.Usable.Absent() || p.Usable.DB() < l.Usable.DB() {
			l.Usable, l.UsableAt = p.Usable, p.Frequency
		}
	}
	step := rf.Gain(0)
	for _, p := range l.Points {
		for i := 1; i < len(p.Levels); i++ {
			g, _ := p.Levels[i].Drive.Minus(p.Levels[i-1].Drive)
			step = max(step, g)
		}
	}
	if step > 1.05 {
		l.Remarks = append(l.Remarks, fmt.Sprintf(
			"drives lie up to %s apart; compression that sets in between them is interpolated: steps of 1 dB show it",
			step.Text(1)))
	}
}

// merged sorts by drive and averages readings of the same drive, in dB.
func merged(levels []DriveLevel) []DriveLevel {
	slices.SortStableFunc(levels, func(a, b DriveLevel) int { return compare(a.Drive.DB(), b.Drive.DB()) })
	var out []DriveLevel
	n := 0.0
	for _, l := range levels {
		if k := len(out) - 1; k >= 0 && math.Abs(l.Drive.DB()-out[k].Drive.DB()) < 0.005 {
			n++
			out[k].Current = rf.FromDB[rf.Ampere](out[k].Current.DB() + (l.Current.DB()-out[k].Current.DB())/n)
			continue
		}
		out, n = append(out, l), 1
	}
	return out
}

func linearPoint(f rf.Frequency, levels []DriveLevel, l Linearity) (LinearPoint, bool) {
	levels = merged(levels)
	p := LinearPoint{Frequency: f, Rise: rf.Gain(math.NaN())}
	if len(levels) < 2 {
		return p, false
	}
	base := levels[0].Current.DB() - levels[0].Drive.DB()
	for i, x := range levels {
		step := math.NaN()
		if i > 0 {
			step = (x.Current.DB() - levels[i-1].Current.DB()) / (x.Drive.DB() - levels[i-1].Drive.DB())
		}
		p.Levels = append(p.Levels, LinearLevel{x.Drive, x.Current, rf.Gain(base - (x.Current.DB() - x.Drive.DB())),
			rf.Gain(step)})
	}
	p.Usable = usable(p.Levels, l.Setup)
	if l.Check != nil {
		p.check(*l.Check)
	}
	return p, true
}

// usable finds the drive at which the compression passes the limit; the crest of the modulation must
// stay below it.
func usable(levels []LinearLevel, s LinearSetup) rf.Current {
	last := levels[len(levels)-1]
	drive, bound := last.Drive.DB(), rf.AtLeast
	for i := 1; i < len(levels); i++ {
		a, b := levels[i-1], levels[i]
		if b.Compression > s.Limit && a.Compression <= s.Limit {
			u := float64((s.Limit - a.Compression) / (b.Compression - a.Compression))
			drive, bound = a.Drive.DB()+u*(b.Drive.DB()-a.Drive.DB()), rf.Exactly
			break
		}
	}
	carrier := drive - s.Crest.DB()
	i, ok := currentAt(levels, carrier)
	if !ok {
		// Below the lowest drive the current follows it.
		i = levels[0].Current.DB() - (levels[0].Drive.DB() - carrier)
	}
	return rf.FromDB[rf.Ampere](i).WithBound(bound)
}

// currentAt interpolates the current (dBA) at a drive (dBW); false outside the drives.
func currentAt(levels []LinearLevel, drive float64) (float64, bool) {
	for i := 1; i < len(levels); i++ {
		a, b := levels[i-1], levels[i]
		if drive >= a.Drive.DB()-1e-9 && drive <= b.Drive.DB()+1e-9 {
			u := (drive - a.Drive.DB()) / (b.Drive.DB() - a.Drive.DB())
			return a.Current.DB() + u*(b.Current.DB()-a.Current.DB()), true
		}
	}
	return 0, false
}

// check makes the standard's check at every drive from which the step up was measured.
func (p *LinearPoint) check(c SaturationCheck) {
	p.Passed = true
	const near = 0.05 // a drive set to 5.1 dB more lands within this
	for _, from := range p.Levels {
		to := from.Drive.DB() + c.Step.DB()
		if top := p.Levels[len(p.Levels)-1].Drive.DB(); to > top && to <= top+near {
			to = top
		}
		i, ok := currentAt(p.Levels, to)
		if !ok {
			break
		}
		p.Checked, p.Rise = true, rf.Gain(i-from.Current.DB())
		if !c.passes(p.Rise) {
			p.Passed = false
			break
		}
		p.PassedTo = from.Current
	}
	p.Passed = p.Passed && p.Checked
}

// LevelsOfRuns gathers the drives and currents of calibration runs in one jig.
func LevelsOfRuns(runs ...result.Run) ([]DriveLevel, error) {
	var out []DriveLevel
	fixture := ""
	for _, r := range runs {
		o := r.Opened
		if o.RunKind != plan.Calibration {
			return nil, fmt.Errorf("run %d is a %s: linearity is read from calibration runs in a jig", r.Number,
				o.RunKind)
		}
		if fixture != "" && o.Fixture != fixture {
			return nil,
				fmt.Errorf("run %d was made on the fixture %s, the ones before on %s: linearity compares drives on "+
					"one fixture", r.Number, o.Fixture, fixture)
		}
		fixture = o.Fixture
		for _, s := range r.Steps {
			out = append(out, DriveLevel{s.Step.Point.Frequency, s.Drive, s.Current})
		}
	}
	return out, nil
}
