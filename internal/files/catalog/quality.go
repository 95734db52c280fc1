package catalog

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/touchstone"
	"provoke/internal/files/trace"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// Spread says what an Uncertainty is.
type Spread string

// What an Uncertainty may be.
const (
	// SpreadNormal is a certificate: Value is the expanded uncertainty, K its coverage factor.
	SpreadNormal Spread = "normal"
	// SpreadRectangular, SpreadTriangular and SpreadUShaped are limits: Value is the half-width.
	SpreadRectangular Spread = "rectangular"
	SpreadTriangular  Spread = "triangular"
	SpreadUShaped     Spread = "U-shaped"
	// SpreadReadings is a figure of one's own: Value is the experimental standard deviation of one
	// reading, Readings their number; or Sweeps holds the deviation over frequency.
	SpreadReadings Spread = "readings"
)

// Uncertainty is how well the main figure of a piece is known (the loss of a pad, the transfer
// impedance of a probe, the amplitude that an analyser shows). The zero value is not known.
type Uncertainty struct {
	Spread   Spread
	Value    rf.Gain
	K        float64
	Readings int
	// Sweeps is the experimental standard deviation of own sweeps over frequency; absent where Value
	// holds at every frequency.
	Sweeps curve.Curve[rf.Gain]
	// Freedom is the number of degrees of freedom; 0 where it is not stated, which counts as infinite.
	Freedom float64
}

// Given reports that the bench file says something.
func (u Uncertainty) Given() bool { return u.Spread != "" }

// At returns the figure at a frequency: expanded uncertainty, half-width or standard deviation.
func (u Uncertainty) At(f rf.Frequency) (rf.Gain, error) {
	if u.Sweeps.Absent() {
		return u.Value, nil
	}
	return u.Sweeps.At(f)
}

// Standard returns the standard uncertainty at a frequency; false where the bench file says nothing there.
func (u Uncertainty) Standard(f rf.Frequency) (rf.Gain, bool) {
	v, err := u.At(f)
	if err != nil || !u.Given() {
		return 0, false
	}
	switch u.Spread {
	case SpreadNormal:
		return v / rf.Gain(u.K), true
	case SpreadRectangular:
		return v / rf.Gain(math.Sqrt(3)), true
	case SpreadTriangular:
		return v / rf.Gain(math.Sqrt(6)), true
	case SpreadUShaped:
		return v / math.Sqrt2, true
	}
	return v, true // one of the sweeps is the curve in use, so the deviation of one reading counts
}

// Quality is how good a piece is: the uncertainty of its main figure and the match of its port.
type Quality struct {
	Uncertainty Uncertainty
	// Match is the return loss of the port that counts (the probe's output, the analyser's input,
	// both ends of a pad or coax), positive dB; absent when not known.
	Match curve.Curve[rf.Gain]
}

// The shapes of the file.
type (
	qualityFile struct {
		Uncertainty uncertaintyFile `yaml:"uncertainty" says:"expanded uncertainty of its curve with k, for the budget of the current"`
		VSWR        matchFile       `yaml:"vswr" says:"match of its ports, for the mismatch in that budget"`
	}
	uncertaintyFile struct {
		Expanded     rf.Gain        `yaml:"expanded" says:"expanded uncertainty U"`
		K            factorFile     `yaml:"k" says:"coverage factor of U; default 2"`
		Limit        rf.Gain        `yaml:"limit" says:"largest deviation that its maker states"`
		Distribution spreadFile     `yaml:"distribution" says:"distribution of the limit; default rectangular"`
		Spread       rf.Gain        `yaml:"spread" says:"standard deviation of repeated readings"`
		Sweeps       document.Count `yaml:"sweeps" says:"number of sweeps that spread is from"`
		Files        []string       `yaml:"sweep_files" says:"sweeps that the spread is worked out from"`
		Parameter    string         `yaml:"parameter" says:"parameter of it, for example S21"`
		Freedom      document.Count `yaml:"freedom" says:"degrees of freedom"`
		scalar       bool
	}
	matchFile struct {
		ratio      float64
		Touchstone string `yaml:"touchstone" says:"S-parameter file beside the bench file"`
		Parameter  string `yaml:"parameter" says:"parameter of it, for example S21"`
	}
	factorFile float64
	spreadFile string
)

// UnmarshalText reads limits of error, "0.8 dB": nothing is known in between.
func (u *uncertaintyFile) UnmarshalText(text []byte) error {
	u.scalar = true
	return u.Limit.UnmarshalText(text)
}

// UnmarshalText reads a coverage factor, a number without a unit.
func (k *factorFile) UnmarshalText(text []byte) error {
	x, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(string(text)), ",", ".", 1), 64)
	if err != nil || !(x >= 1 && x <= 20) {
		return fmt.Errorf("%q is not a coverage factor (want a number from 1 to 20; certificates usually have 2)", text)
	}
	*k = factorFile(x)
	return nil
}

// UnmarshalText reads a standing-wave ratio: "1.5:1" or "1.5".
func (m *matchFile) UnmarshalText(text []byte) error {
	t, _ := strings.CutSuffix(strings.ReplaceAll(string(text), " ", ""), ":1")
	x, err := strconv.ParseFloat(strings.Replace(t, ",", ".", 1), 64)
	if err != nil || !(x >= 1 && x <= 1000) {
		return fmt.Errorf("%q is not a standing-wave ratio (want for example \"1.5:1\")", text)
	}
	m.ratio = x
	return nil
}

// UnmarshalText reads a distribution.
func (s *spreadFile) UnmarshalText(t []byte) error {
	return word((*string)(s), t, string(SpreadNormal), string(SpreadRectangular), string(SpreadTriangular),
		string(SpreadUShaped))
}

// quality turns what the file says of a piece into its Quality. network is how the piece's own curve
// is read from a sweep; nil where own sweeps have no meaning.
func (b *builder) quality(path string, f qualityFile, network *networkReading) Quality {
	return Quality{Uncertainty: b.uncertainty(path+".uncertainty", f.Uncertainty, network),
		Match: b.match(path+".vswr", f.VSWR)}
}

func (b *builder) uncertainty(at string, f uncertaintyFile, network *networkReading) Uncertainty {
	if !b.doc.Taken(at) {
		return Uncertainty{}
	}
	if f.scalar {
		return b.positive(at, Uncertainty{Spread: SpreadRectangular, Value: f.Limit})
	}
	given := ""
	for _, key := range []string{"expanded", "limit", "spread", "sweep_files"} {
		switch {
		case !b.doc.Has(at + "." + key):
		case given != "":
			b.doc.Problem(at, fmt.Sprintf("%s has both %s and %s: which of them counts?", at, given, key), "keep one")
			return Uncertainty{}
		default:
			given = key
		}
	}
	u := Uncertainty{Freedom: float64(f.Freedom)}
	switch given {
	case "expanded":
		u.Spread, u.Value, u.K = SpreadNormal, f.Expanded, float64(f.K)
		if u.K == 0 && b.doc.Taken(at+".k") {
			return Uncertainty{}
		}
		if u.K == 0 {
			b.doc.Problem(at, fmt.Sprintf("%s has an expanded uncertainty without k", at),
				"the certificate names its coverage factor, usually k: 2")
			return Uncertainty{}
		}
	case "limit":
		u.Spread, u.Value = SpreadRectangular, f.Limit
		if f.Distribution != "" {
			u.Spread = Spread(f.Distribution)
		}
		if u.Spread == SpreadNormal { // limits of 2 standard deviations, as data sheets mean them
			u.K = 2
		}
	case "spread":
		u.Spread, u.Value, u.Readings = SpreadReadings, f.Spread, int(f.Sweeps)
		if f.Sweeps < 2 {
			b.doc.Problem(at, fmt.Sprintf("%s has a spread of fewer than two sweeps", at),
				"say how many sweeps it came from: sweeps: 5")
			return Uncertainty{}
		}
	case "sweep_files":
		return b.sweeps(at, f, network)
	default:
		b.doc.Problem(at, at+" has no figure",
			"write limits of error such as 0.8 dB, or {expanded: 1.0 dB, k: 2}, {limit: 0.8 dB, distribution: "+
				"triangular}, {spread: 0.3 dB, sweeps: 5} or {sweep_files: [...]}")
		return Uncertainty{}
	}
	return b.positive(at, u)
}

func (b *builder) positive(at string, u Uncertainty) Uncertainty {
	if u.Value < 0 || u.Value > 20 {
		b.doc.Problem(at, fmt.Sprintf("%s is %v; it must lie between 0 dB and 20 dB", at, u.Value),
			"an uncertainty is a distance to either side, without a sign")
		return Uncertainty{}
	}
	return u
}

// sweeps makes the spread over frequency of own sweeps, at the frequencies of the first.
func (b *builder) sweeps(at string, f uncertaintyFile, network *networkReading) Uncertainty {
	var all [][]curve.Point[rf.Gain]
	if network == nil || len(f.Files) < 2 {
		b.doc.Problem(at+".sweep_files", at+" needs two or more sweeps of one and the same piece",
			"sweep it several times, taken out of the jig and put back in between")
		return Uncertainty{}
	}
	for i, name := range f.Files {
		path := fmt.Sprintf("%s.sweep_files[%d]", at, i)
		data, ok := b.file(path, name)
		if !ok {
			return Uncertainty{}
		}
		p := b.sweep(path, name, data, f.Parameter)
		if p == nil {
			return Uncertainty{}
		}
		all = append(all, p)
	}
	points, err := spreadOf(all)
	if err != nil {
		b.doc.Problem(at+".sweep_files", fmt.Sprintf("%s: %v", at, err), "")
		return Uncertainty{}
	}
	c, err := curve.New(points, fmt.Sprintf("spread of %d own sweeps", len(all)))
	if err != nil {
		b.doc.Problem(at+".sweep_files", err.Error(), "")
		return Uncertainty{}
	}
	return Uncertainty{Spread: SpreadReadings, Readings: len(all), Sweeps: c}
}

// sweep reads one sweep: the spread of a magnitude in dB does not depend on its sign or reference.
func (b *builder) sweep(at, name string, data []byte, parameter string) []curve.Point[rf.Gain] {
	if !strings.HasSuffix(strings.ToLower(name), ".csv") {
		if parameter == "" {
			parameter = "S21"
		}
		return b.magnitudes(at, name, data, parameter)
	}
	c, problems := trace.Curve[rf.Gain](name, data, trace.Declared{})
	b.foreign = append(b.foreign, problems...)
	if problems.Err() != nil {
		return nil
	}
	return c.Points()
}

// spreadOf returns the experimental standard deviation at the frequencies of the first sweep that
// all of them cover.
func spreadOf(all [][]curve.Point[rf.Gain]) ([]curve.Point[rf.Gain], error) {
	var curves []curve.Curve[rf.Gain]
	for _, points := range all {
		c, err := curve.New(points, "a sweep")
		if err != nil {
			return nil, err
		}
		curves = append(curves, c)
	}
	var out []curve.Point[rf.Gain]
	n := float64(len(curves))
frequencies:
	for _, p := range all[0] {
		mean, square := 0.0, 0.0
		values := make([]float64, 0, len(curves))
		for _, c := range curves {
			v, err := c.At(p.At)
			if err != nil {
				continue frequencies
			}
			values = append(values, v.DB())
			mean += v.DB() / n
		}
		for _, v := range values {
			square += (v - mean) * (v - mean)
		}
		out = append(out, curve.Point[rf.Gain]{At: p.At, Value: rf.Gain(math.Sqrt(square / (n - 1)))})
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("the sweeps have no frequency in common")
	}
	return out, nil
}

// match turns a standing-wave ratio or a reflection parameter into a return loss.
func (b *builder) match(at string, f matchFile) curve.Curve[rf.Gain] {
	var none curve.Curve[rf.Gain]
	if !b.doc.Taken(at) {
		return none
	}
	if f.Touchstone == "" {
		if f.ratio < 1 {
			b.doc.Problem(at, at+" has no figure",
				"write a standing-wave ratio such as 1.5:1, or {touchstone: FILE, parameter: S22}")
			return none
		}
		// A ratio of 1 has an infinite return loss; 60 dB is as good as it can be shown to be.
		loss := min(60, -20*math.Log10((f.ratio-1)/(f.ratio+1)))
		return curve.Flat(rf.Gain(loss), 0, 0, fmt.Sprintf("VSWR %g:1", f.ratio))
	}
	parameter := f.Parameter
	if parameter == "" {
		b.doc.Problem(at, at+" does not say which port", "add parameter: S11 or parameter: S22")
		return none
	}
	data, ok := b.file(at+".touchstone", f.Touchstone)
	if !ok {
		return none
	}
	return b.returnLoss(at, networkCurve[rf.Gain](b, at, f.Touchstone, data, parameter, "", lossOf, "match"))
}

// matchBeside takes the match of a probe's output from the file that gives its transfer impedance: of S21, S22. A
// file that holds none, as one of a scalar measurement with zeros in its place, gives none.
func (b *builder) matchBeside(path, name, parameter string) curve.Curve[rf.Gain] {
	port := 2
	if parameter != "" {
		port, _, _ = ports(parameter)
	}
	n, list := touchstone.Parse(name, b.bench.Files[name])
	if list.Err() != nil {
		return curve.Curve[rf.Gain]{}
	}
	c, err := n.LossCurve(port, port)
	if err != nil {
		return curve.Curve[rf.Gain]{}
	}
	parameter = fmt.Sprintf("S%d%d", port, port)
	c, noisy, why := bounded(c)
	if why != "" {
		b.doc.Aside(path, fmt.Sprintf("%s has no vswr, and %s of %s is not taken for it: %s", path, parameter,
			name, why), "write vswr, for example 1.5:1")
		return curve.Curve[rf.Gain]{}
	}
	if noisy != "" {
		noisy = "; " + noisy
	}
	b.doc.Aside(path, fmt.Sprintf("%s.vswr is taken from %s of %s, which gives the transfer impedance%s", path,
		parameter, name, noisy), "write vswr if the match of its output is another")
	return c
}

// noise is how far a few points of a measured return loss may lie beyond total reflection.
const noise rf.Gain = 0.5

// returnLoss bounds noisy points of a return loss and tells them; it refuses what is no noise.
func (b *builder) returnLoss(at string, c curve.Curve[rf.Gain]) curve.Curve[rf.Gain] {
	c, noisy, why := bounded(c)
	if noisy != "" {
		b.doc.Warning(at, at+": "+noisy,
			"no passive port gives back more than it gets: measure these again if they matter")
	}
	if why != "" {
		b.doc.Problem(at, at+": "+why,
			"write the return loss as a positive number; where it was measured, calibrate and measure it again")
	}
	return c
}

// bounded returns a return loss with its noisy points at total reflection, and what is to be told of them; or why
// it is no return loss. At most one point, or a tenth of them, may be noisy.
func bounded(c curve.Curve[rf.Gain]) (_ curve.Curve[rf.Gain], noisy, why string) {
	low, _ := lowest(c)
	if low >= 0 {
		return c, "", ""
	}
	points := c.Points()
	var over []string
	for i, p := range points {
		if p.Value == low && low < -noise {
			why = fmt.Sprintf(" (%v at %v)", low.Text(2), p.At)
		}
		if p.Value < 0 {
			over = append(over, p.At.String())
			points[i].Value = 0
		}
	}
	if why != "" || c.IsFlat() || len(over) > max(1, len(points)/10) {
		return curve.Curve[rf.Gain]{}, "", fmt.Sprintf("a return loss cannot be negative, as %d of %d points are%s",
			len(over), len(points), why)
	}
	if n := len(over); n > 3 {
		over = append(over[:3], fmt.Sprintf("%d more", n-3))
	}
	last := len(over) - 1
	where := strings.TrimPrefix(strings.Join(over[:last], ", ")+" and "+over[last], " and ")
	c, err := curve.New(points, c.Source())
	if err != nil {
		return c, "", err.Error()
	}
	return c,
		fmt.Sprintf("at %s more comes back than goes in, by up to %v: noise of the measurement, which counts as "+
			"total reflection", where, (-low).Text(2)), ""
}
