package sweep

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"provoke/internal/rf"
)

// Look is a time since the beginning of a pass that is known as far as the looks at the product lie
// apart: the product changed after From and not after To.
type Look struct{ From, To time.Duration }

// Known reports that there was such a change.
func (l Look) Known() bool { return l.To > 0 && l.To >= l.From }

// Seen is one upset of a pass.
type Seen struct {
	Onset    Look
	Recovery Look // not Known where the product was not well again in this pass
	Monitor  string
}

// Observed is one pass with what the product did.
type Observed struct {
	Sweep  Sweep
	Within time.Duration // how well the beginning of the pass is known, either way
	Upsets []Seen        // in the order of time
}

// Band is a range of frequencies in which the product is upset.
type Band struct {
	Low, High rf.Frequency // as estimated; equal where width and latency cannot be told apart
	// LowLeast to LowMost and HighLeast to HighMost are the limits within which the ends must lie. The
	// limits are not statistical: they are the sum of what each reading leaves open.
	LowLeast, LowMost, HighLeast, HighMost rf.Frequency
	// Latency of the onset with its limits.
	Latency, LatencyLeast, LatencyMost time.Duration
	// SearchLow to SearchHigh is where a stepped run has to look to confirm the band or to reject it.
	SearchLow, SearchHigh rf.Frequency
	Rests                 string   // on what the estimate rests, in words
	Notes                 []string // what the user should know
}

// Within returns the larger half-width of the limits of the ends.
func (b Band) Within() rf.Frequency {
	return max((b.LowMost-b.LowLeast)/2, (b.HighMost-b.HighLeast)/2)
}

// span is a figure with its half-width.
type span struct{ mid, half float64 }

// apparent returns where in u a change seemed to be, with what sampling, the mark of the beginning and
// the source's timing leave open.
func (o Observed) apparent(l Look) span {
	s := o.Sweep
	mid := (l.From + l.To) / 2
	half := (l.To-l.From)/2 + o.Within + time.Duration(s.Tolerance*float64(mid))
	r := math.Abs(s.rate())
	step := 0.0
	if s.Steps > 1 {
		step = math.Abs(s.u(s.To)-s.u(s.From)) / float64(s.Steps-1)
	}
	return span{s.u(s.From) + s.rate()*mid.Seconds(), r*half.Seconds() + step/2}
}

// pairOf is one upset seen in a pass upwards and in one downwards of the same sweep.
type pairOf struct {
	law            Sweep   // for the way between u and f
	rate           float64 // above 0
	up, down       span    // onsets
	upEnd, downEnd span    // recoveries
	recovered      bool
}

// middle is the mean of both onsets: the middle of the band, free of latency.
func (p pairOf) middle() span {
	return span{(p.up.mid + p.down.mid) / 2, (p.up.half + p.down.half) / 2}
}

// apart is 2Rτ − W.
func (p pairOf) apart() span { return span{p.up.mid - p.down.mid, p.up.half + p.down.half} }

// Pair estimates a band from one upset on the way up and the same one on the way down at one rate.
// The middle is free of latency. Width and latency cannot be told apart by the onsets alone; where the
// product recovered inside both passes the recoveries are taken to have the same latency.
func Pair(up, down Observed, i, k int) (Band, error) {
	p, err := pair(up, down, i, k)
	if err != nil {
		return Band{}, err
	}
	return p.band(), nil
}

func pair(up, down Observed, i, k int) (pairOf, error) {
	if up.Sweep.Down() || !down.Sweep.Down() || up.Sweep.Law != down.Sweep.Law {
		return pairOf{}, fmt.Errorf("a pair is one pass upwards and one downwards of the same law")
	}
	a, b := up.Upsets[i], down.Upsets[k]
	ru, rd := math.Abs(up.Sweep.rate()), math.Abs(down.Sweep.rate())
	if math.Abs(ru-rd) > 0.01*ru {
		return pairOf{}, fmt.Errorf("the passes upwards and downwards have different rates")
	}
	p := pairOf{law: up.Sweep, rate: (ru + rd) / 2, up: up.apparent(a.Onset), down: down.apparent(b.Onset)}
	if a.Recovery.Known() && b.Recovery.Known() {
		p.recovered, p.upEnd, p.downEnd = true, up.apparent(a.Recovery), down.apparent(b.Recovery)
	}
	return p, nil
}

// band estimates from one rate.
func (p pairOf) band() Band {
	m, d := p.middle(), p.apart()
	if p.recovered {
		// Onsets lie 2Rτ − W apart, recoveries 2Rτ + W when their latency is the same.
		e := span{p.upEnd.mid - p.downEnd.mid, p.upEnd.half + p.downEnd.half}
		w := span{max((e.mid-d.mid)/2, 0), (e.half + d.half) / 2}
		tau := span{(e.mid + d.mid) / 4 / p.rate, (e.half + d.half) / 4 / p.rate}
		b := p.build(m, w, tau)
		b.Rests = "a pass upwards and one downwards, with recoveries taken to be as late as onsets"
		return b
	}
	if d.mid >= 0 {
		b := p.build(m, span{0, d.half}, span{d.mid / 2 / p.rate, d.half / 2 / p.rate})
		b.Rests = "a pass upwards and one downwards of one rate: the middle is free of latency"
		b.Notes = append(b.Notes, "width and latency are not told apart by one rate: the latency is at least what is shown")
		return b
	}
	b := p.build(m, span{-d.mid, d.half}, span{0, d.half / 2 / p.rate})
	b.Rests = "a pass upwards and one downwards of one rate: the middle is free of latency"
	b.Notes = append(b.Notes, "width and latency are not told apart by one rate: the band is at least as wide as shown")
	return b
}

// build makes a band of its middle, its width and the latency.
func (p pairOf) build(m, w, tau span) Band {
	s := p.law
	low, high := m.mid-w.mid/2, m.mid+w.mid/2
	half := m.half + w.half/2
	seconds := func(x float64) time.Duration { return time.Duration(math.Round(x * 1e9)) }
	b := Band{
		Low: s.f(low), High: s.f(high),
		LowLeast: s.f(low - half), LowMost: s.f(min(low+half, m.mid+m.half)),
		HighLeast: s.f(max(high-half, m.mid-m.half)), HighMost: s.f(high + half),
		Latency: seconds(max(tau.mid, 0)), LatencyLeast: seconds(max(tau.mid-tau.half, 0)), LatencyMost: seconds(max(tau.mid+tau.half, 0)),
	}
	if tau.mid < 0 { // no product reacts before its cause
		b.Notes = append(b.Notes, fmt.Sprintf("the latency comes out %v below zero: the beginnings of the passes were marked that much too late, or more; the middle of the band holds all the same", rf.Duration(seconds(-tau.mid).Round(time.Millisecond))))
	}
	from, to := min(low-half, p.down.mid-p.down.half), max(high+half, p.up.mid+p.up.half)
	if p.recovered {
		from, to = min(from, p.downEnd.mid-p.downEnd.half), max(to, p.upEnd.mid+p.upEnd.half)
	}
	b.SearchLow, b.SearchHigh = p.clip(from), p.clip(to)
	return b
}

// clip keeps a search inside the sweep.
func (p pairOf) clip(u float64) rf.Frequency {
	low, high := p.law.Ends()
	return min(max(p.law.f(u), low), high)
}

// twoRates tells latency from width by two pairs of passes of different rates over the same band:
// τ = (d1 − d2)/(2(R1 − R2)), W = (R2·d1 − R1·d2)/(R1 − R2), where d is the onset upwards less the onset
// downwards.
func twoRates(a, b pairOf) (Band, error) {
	dr := a.rate - b.rate
	if math.Abs(dr) < 0.1*max(a.rate, b.rate) {
		return Band{}, fmt.Errorf("the two rates are too near to each other to tell latency from width")
	}
	d1, d2 := a.apart(), b.apart()
	tau := span{(d1.mid - d2.mid) / (2 * dr), (d1.half + d2.half) / (2 * math.Abs(dr))}
	w := span{(b.rate*d1.mid - a.rate*d2.mid) / dr, (b.rate*d1.half + a.rate*d2.half) / math.Abs(dr)}
	m := a.middle()
	if other := b.middle(); other.half < m.half {
		m = other
	}
	slow := a
	if b.rate < a.rate {
		slow = b
	}
	w.mid, tau.mid = max(w.mid, 0), max(tau.mid, 0)
	out := slow.build(m, w, tau)
	out.Rests = "passes upwards and downwards at two rates: latency and width are told apart"
	return out, nil
}

// Bands puts the upsets of several passes together. Passes upwards and downwards of one rate make
// pairs; where two rates saw a band it is told apart from the latency. An upset that only one direction
// saw makes a band with the latency of the others, and without one it is searched for over the whole
// stretch back to the beginning of the pass, at most over most.
func Bands(passes []Observed, most time.Duration) []Band {
	pairs, single := match(passes)
	var out []Band
	latency, known := time.Duration(0), false
	for _, group := range pairs {
		b := bandOf(group)
		if !known || b.Latency > latency {
			latency, known = b.Latency, true
		}
		out = append(out, b)
	}
	for _, s := range single {
		out = append(out, s.band(latency, known, most))
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Low < out[j].Low })
	return out
}

// bandOf estimates from every pair that saw the same band.
func bandOf(group []pairOf) Band {
	slow, fast := group[0], group[0]
	for _, p := range group {
		if p.rate < slow.rate {
			slow = p
		}
		if p.rate > fast.rate {
			fast = p
		}
	}
	if b, err := twoRates(slow, fast); err == nil {
		return b
	}
	best := slow.band()
	for _, p := range group {
		if b := p.band(); b.Within() < best.Within() {
			best = b
		}
	}
	return best
}

// one is an upset that only one direction saw.
type one struct {
	observed Observed
	at       span
}

func (o one) band(latency time.Duration, known bool, most time.Duration) Band {
	s := o.observed.Sweep
	back := most
	rests := "one pass only: the latency is not known"
	if known {
		back, rests = latency, "one pass only, with the latency that other bands showed"
	}
	shift := s.rate() * back.Seconds()
	truly := o.at.mid - shift
	if !known {
		truly = o.at.mid - shift/2
	}
	half := o.at.half
	if !known {
		half += math.Abs(shift) / 2
	}
	p := pairOf{law: s, rate: math.Abs(s.rate()), up: o.at, down: o.at}
	b := p.build(span{truly, half}, span{}, span{back.Seconds(), 0})
	if !known {
		b.Latency, b.LatencyLeast, b.LatencyMost = 0, 0, most
	}
	b.Rests = rests
	b.Notes = append(b.Notes, "the other direction did not upset here: perhaps the level is just at the onset, or the product was still upset from before")
	return b
}

// match pairs the upsets of passes upwards with those of passes downwards of the same rate.
func match(passes []Observed) (groups [][]pairOf, single []one) {
	type place struct{ pass, upset int }
	used := map[place]bool{}
	for i, up := range passes {
		for k, down := range passes {
			if up.Sweep.Down() || !down.Sweep.Down() {
				continue
			}
			for _, m := range nearest(up, down) {
				p, err := pair(up, down, m[0], m[1])
				if err != nil || used[place{i, m[0]}] || used[place{k, m[1]}] {
					continue
				}
				used[place{i, m[0]}], used[place{k, m[1]}] = true, true
				groups = join(groups, p)
			}
		}
	}
	for i, o := range passes {
		for k, s := range o.Upsets {
			if at := o.apparent(s.Onset); !used[place{i, k}] && !inside(groups, at.mid) {
				single = append(single, one{o, at})
			}
		}
	}
	return groups, single
}

// inside reports that a place lies in a stretch that a pair searches already.
func inside(groups [][]pairOf, u float64) bool {
	return slices.ContainsFunc(groups, func(g []pairOf) bool {
		b := bandOf(g)
		f := g[0].law.f(u)
		return f >= b.SearchLow && f <= b.SearchHigh
	})
}

// nearest pairs the upsets of a pass upwards, in ascending order, with those of one downwards. Upsets
// keep their order; where one direction saw more, the pairs that lie nearest together are taken.
func nearest(up, down Observed) [][2]int {
	var a, b []float64
	for _, s := range up.Upsets {
		a = append(a, up.apparent(s.Onset).mid)
	}
	for k := len(down.Upsets) - 1; k >= 0; k-- {
		b = append(b, down.apparent(down.Upsets[k].Onset).mid)
	}
	var out [][2]int
	i, k := 0, 0
	for i < len(a) && k < len(b) {
		rest := math.Abs(a[i] - b[k])
		switch {
		case len(a)-i > len(b)-k && i+1 < len(a) && math.Abs(a[i+1]-b[k]) < rest:
			i++
		case len(b)-k > len(a)-i && k+1 < len(b) && math.Abs(a[i]-b[k+1]) < rest:
			k++
		default:
			out = append(out, [2]int{i, len(b) - 1 - k})
			i++
			k++
		}
	}
	return out
}

// join adds a pair to the group whose band it shares, or begins one.
func join(groups [][]pairOf, p pairOf) [][]pairOf {
	for i, g := range groups {
		q := g[0]
		if q.law.Law != p.law.Law {
			continue
		}
		apart := math.Abs(q.middle().mid - p.middle().mid)
		reach := (math.Abs(q.apart().mid)+math.Abs(p.apart().mid))/2 + q.middle().half + p.middle().half
		if apart <= reach {
			groups[i] = append(g, p)
			return groups
		}
	}
	return append(groups, []pairOf{p})
}
