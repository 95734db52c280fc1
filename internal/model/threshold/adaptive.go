package threshold

import "math"

// Range is where a search may expose: whole steps from Low to High, in dB.
type Range struct{ Low, High, Step float64 }

// snap returns the level of the range that is nearest.
func (r Range) snap(x float64) float64 {
	n := math.Round((x - r.High) / r.Step)
	lowest := -math.Floor((r.High-r.Low)/r.Step + 1e-9)
	return r.High + min(0, max(lowest, n))*r.Step
}

// Place returns where an adaptive search exposes next, to learn the level at which the upset
// probability is p. It is a function of the trials so far:
//
// While only one outcome was seen it goes down or up, doubling the distance. Between the highest pass
// and a lowest upset above it, it halves; when these are neighbours it exposes at them in turn. As soon as an upset
// lies at or
// below a pass it fits the model and takes in turn the level that shrinks the uncertainty of both
// parameters most (D-optimal) and the one that shrinks that of the level of p most. Where no fit is
// possible it goes on as an up-and-down staircase. It never leaves the range.
//
// The range's step should be half to one and a half of the scale. With a step below half of it the
// limits of short searches come out too narrow (95 % limits then held the truth in 91 to 93 % of
// simulated runs) unless LimitsOfLevel is told: see Fine.
func Place(m Model, trials []Trial, r Range, p float64) float64 {
	o, pass, upset := OverlapOf(trials)
	switch o {
	case NoTrials:
		return r.High
	case OnlyUpsets:
		return r.snap(upset - r.Step*stride(trials))
	case NoUpset:
		return r.snap(pass + r.Step*stride(trials))
	case Separated:
		if upset-pass > 1.5*r.Step {
			return r.snap((pass + upset) / 2)
		}
		return neighbour(trials, pass, upset)
	}
	f, err := FitML(m, trials)
	if err != nil {
		last := trials[len(trials)-1]
		return r.snap(last.Level + r.Step*float64(UpAndDown().Move(trials)))
	}
	return f.flatter(1+4/float64(len(trials))).best(r, p, len(trials)%2 == 0)
}

// Fine reports that a search's step was less than half of the scale that its fit found: see LimitsOfLevel.
func (f Fit) Fine(step float64) bool { return step < 0.5*f.Sigma*(1-1e-9) }

// flatter returns the fit with its scale widened. Few trials make the scale come out too small; placed
// by it the next ones would crowd at the middle and never show the error.
func (f Fit) flatter(by float64) Fit {
	f.Sigma *= by
	f.B1 = 1 / f.Sigma
	f.B0 = -f.Mu / f.Sigma
	return f
}

// stride doubles with every trial of one and the same outcome.
func stride(trials []Trial) float64 { return math.Pow(2, float64(min(len(trials)-1, 10))) }

// neighbour returns that of two neighbouring levels which was tried less; the lower of equals.
func neighbour(trials []Trial, pass, upset float64) float64 {
	atPass, atUpset := 0, 0
	for _, t := range trials {
		switch {
		case math.Abs(t.Level-pass) < 1e-9:
			atPass++
		case math.Abs(t.Level-upset) < 1e-9:
			atUpset++
		}
	}
	if atUpset < atPass {
		return upset
	}
	return pass
}

// best returns the level of the range whose trial teaches most, within two and a half scales of the
// middle.
func (f Fit) best(r Range, p float64, determinant bool) float64 {
	_, _, information := f.Model.likelihood(f.counts, f.B0, f.B1)
	want := f.Level(p)
	best, value := r.snap(f.Mu), math.Inf(-1)
	for x := r.snap(f.Mu - 2.5*f.Sigma); x <= f.Mu+2.5*f.Sigma && x <= r.High+1e-9; x += r.Step {
		w := f.Model.weight(f.B0 + f.B1*x)
		i00, i01, i11 := information[0][0]+w, information[0][1]+w*x, information[1][1]+w*x*x
		det := i00*i11 - i01*i01
		v := det
		if !determinant {
			v = -(i11 - 2*want*i01 + want*want*i00) / det // minus the variance of the level of p, over σ²
		}
		if v > value*(1+1e-9*sign(value)) {
			best, value = x, v
		}
	}
	return r.snap(best)
}

func sign(x float64) float64 {
	if x < 0 {
		return -1
	}
	return 1
}
