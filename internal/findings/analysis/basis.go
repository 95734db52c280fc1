package analysis

import (
	"errors"
	"fmt"
	"math"

	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// Basis is what a comparison rests on beside the two runs. The zero value assumes what is not known.
type Basis struct {
	// Margin is what the after-run has to stand above the onset before; 0 dB asks for no more than the level wanted.
	Margin rf.Gain
	// Known is how well the after-run knows the current at a frequency; nil where that is not worked out: there is
	// then no decision, and no guard band.
	Known func(Point) Known
	SetUp SetUp
	// Moved is how far the after-run's bench file reads or drives another current than the before-run's does at a
	// frequency; nil where the files are not to be had.
	Moved func(rf.Frequency) (rf.Gain, error)
}

// SetUp is what putting the same bench up anew does to a level.
type SetUp struct {
	// Deviation is the standard deviation from set-up to set-up and Factor what it is multiplied with for a
	// one-sided confidence of 95 %: Student's for its degrees of freedom. Both 0: assumed.
	Deviation rf.Gain
	Factor    float64
	From      string // which runs it is from
}

// What is assumed where no repeated runs measured it: common practice, no single source.
const (
	assumedSetUp rf.Gain = 1.0
	normalFactor         = 1.6449 // 95 %, one-sided
)

// Needed is the least gain that tells a change of the product from two set-ups of the same bench.
func (s SetUp) Needed() rf.Gain {
	if s.Factor <= 0 {
		return normalFactor * math.Sqrt2 * assumedSetUp
	}
	return rf.Gain(s.Factor*math.Sqrt2) * s.Deviation
}

// Says words it: "2.3 dB (√2 × 1.0 dB from set-up to set-up, assumed; 95 %)".
func (s SetUp) Says() string {
	deviation, from := assumedSetUp, "assumed (common practice)"
	if s.Factor > 0 {
		deviation, from = s.Deviation, s.From
	}
	return fmt.Sprintf("two set-ups of the same bench differ by up to %s (95 %%; %s from set-up to set-up, %s)",
		s.Needed().Text(1), deviation.Text(1), from)
}

// errNoBenches is why "shown" is forbidden where the bench changed and its files are not to be had.
var errNoBenches = errors.New("what the changed bench file does to the current is not known: the job does not hold " +
	"both")

// SetUpSpread pools the spread of the runs of a job that repeat one another: of the onsets, or where there is none
// of the current at the same drive. A set-up moves all frequencies together, so a group of n runs gives n − 1
// degrees of freedom however many frequencies it has. Freedom is 0 where nothing repeats.
func SetUpSpread(runs []Outline) (deviation rf.Gain, freedom int, numbers []int) {
	var sum float64
	done := map[int]bool{}
	for i := len(runs) - 1; i >= 0; i-- {
		same := Repeatable(runs, runs[i].Head)
		if done[runs[i].Head.Number] || len(same) < 2 || !runs[i].exposed {
			continue
		}
		for _, r := range same {
			done[r.Head.Number] = true
		}
		spread := Repeat(same)
		v, n := pooled(spread.Onset)
		if n == 0 {
			v, n = pooled(spread.Transfer)
		}
		if n > 0 {
			sum += float64(n) * v
			freedom += n
			numbers = append(numbers, spread.Runs...)
		}
	}
	if freedom == 0 {
		return 0, 0, nil
	}
	return rf.Gain(math.Sqrt(sum / float64(freedom))), freedom, numbers
}

// MayRepeat returns the numbers of the runs that may repeat one another, by how they were opened: the others need not
// be read for SetUpSpread.
func MayRepeat(runs []result.Run) []int {
	type key struct{ kind, plan, bench, changed string }
	of := func(r result.Run) key {
		return key{string(r.Opened.RunKind) + r.Opened.Fixture, r.Opened.Plan.SHA256, r.Opened.Bench.SHA256,
			r.Opened.Changed}
	}
	n := map[key]int{}
	for _, r := range runs {
		n[of(r)]++
	}
	var out []int
	for _, r := range runs {
		if n[of(r)] > 1 {
			out = append(out, r.Number)
		}
	}
	return out
}

// pooled returns the mean variance over frequencies and the degrees of freedom of the runs.
func pooled(at []Repeated) (variance float64, freedom int) {
	n := 0.0
	for _, r := range at {
		if r.N >= 2 {
			variance += r.Deviation.DB() * r.Deviation.DB()
			n++
			freedom = max(freedom, r.N-1)
		}
	}
	if n == 0 {
		return 0, 0
	}
	return variance / n, freedom
}
