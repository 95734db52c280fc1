package jig

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"provoke/internal/files/touchstone"
	"provoke/internal/model/twoport"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// prepared returns a network at 50 Ω with what is doubtful about it; a network that makes energy is
// refused, because a probe and a clamp are passive.
func prepared(n *touchstone.Network) (*touchstone.Network, []string, error) {
	var remarks []string
	remark, err := twoport.CheckPassive(n)
	if err != nil {
		return nil, nil, err
	}
	if remark != "" {
		remarks = append(remarks, remark)
	}
	if worst, hz := n.Asymmetry(); worst > 0.01 && equal(n.Reference) {
		remarks = append(remarks, fmt.Sprintf(
			"%s is not reciprocal by %.3g at %v: a passive jig is; look at the calibration and the order of the ports",
			n.Name, worst, rf.Frequency(hz)))
	}
	for _, r := range n.Reference {
		if r != float64(rf.Z0) {
			remarks = append(remarks, fmt.Sprintf("%s was renormalised from %s to 50 Ω", n.Name, n.DescribeReference()))
			m, err := n.Renormalised(float64(rf.Z0))
			return m, remarks, err
		}
	}
	return n, remarks, nil
}

func equal(x []float64) bool {
	return !slices.ContainsFunc(x, func(y float64) bool { return y != x[0] })
}

// ports checks that port numbers are in a network and differ.
func ports(n *touchstone.Network, named map[string]int) error {
	seen := map[int]string{}
	for _, what := range []string{"jig in", "probe", "jig out", "clamp", "jig end"} {
		p, ok := named[what]
		if !ok {
			continue
		}
		if p < 1 || p > n.Ports {
			return fmt.Errorf("%s has %d ports, and the %s is said to be at port %d", n.Name, n.Ports, what, p)
		}
		if other := seen[p]; other != "" {
			return fmt.Errorf("port %d is said to be both the %s and the %s", p, other, what)
		}
		seen[p] = what
	}
	return nil
}

// common returns the frequencies of the first network that lie in the band of all, above 0 Hz.
func common(sweeps []*touchstone.Network) ([]rf.Frequency, error) {
	low, high := 0.0, math.Inf(1)
	for _, n := range sweeps {
		f := n.Frequencies
		low, high = math.Max(low, f[0]), math.Min(high, f[len(f)-1])
	}
	var out []rf.Frequency
	for _, hz := range sweeps[0].Frequencies {
		if hz > 0 && hz >= low && hz <= high {
			out = append(out, rf.Frequency(hz))
		}
	}
	if len(out) == 0 {
		return nil, errors.New("the sweeps have no frequency in common")
	}
	return out, nil
}

// spread is the mean and the experimental standard deviation of decibels.
func spread(db []float64) (mean, deviation float64) {
	for _, x := range db {
		mean += x / float64(len(db))
	}
	if len(db) < 2 {
		return mean, math.NaN()
	}
	for _, x := range db {
		deviation += (x - mean) * (x - mean)
	}
	return mean, math.Sqrt(deviation / float64(len(db)-1))
}

// Repeat is how far several sweeps lie apart. The zero value is one sweep: not known.
type Repeat struct {
	Sweeps int
	// Pooled is the root mean square over frequency of the experimental standard deviations of one
	// sweep, with Freedom degrees of freedom; Worst is the largest, at WorstAt.
	Pooled  rf.Gain
	Freedom int
	Worst   rf.Gain
	WorstAt rf.Frequency
}

// Known reports that there was more than one sweep.
func (r Repeat) Known() bool { return r.Sweeps > 1 }

func (r *Repeat) add(at rf.Frequency, deviation float64, points int) {
	if math.IsNaN(deviation) {
		return
	}
	r.Pooled = rf.Gain(math.Sqrt(float64(r.Pooled)*float64(r.Pooled) + deviation*deviation/float64(points)))
	if rf.Gain(deviation) > r.Worst {
		r.Worst, r.WorstAt = rf.Gain(deviation), at
	}
}

// point makes a point of a curve of dB values.
func point[V curve.Value](f rf.Frequency, v V) curve.Point[V] { return curve.Point[V]{At: f, Value: v} }
