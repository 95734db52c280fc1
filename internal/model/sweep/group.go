package sweep

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"provoke/internal/units/rf"
)

// group is the sightings of one band.
type group []sighting

// with returns the group and one more.
func (g group) with(s sighting) group { return append(slices.Clone(g), s) }

// both reports that passes of both directions saw the band.
func (g group) both() bool {
	return slices.ContainsFunc(g, func(s sighting) bool { return s.k*g[0].k < 0 })
}

// place is where the onsets lie in the mean.
func (g group) place() float64 {
	sum := 0.0
	for _, s := range g {
		sum += s.onset.mid
	}
	return sum / float64(len(g))
}

// solve works out the band with a share of what the readings leave open.
func (g group) solve(scale float64, most time.Duration) (region, bool) {
	return g.fit(scale, most).solve()
}

func (g group) fit(scale float64, most time.Duration) fit {
	s := g[0].law
	low, high := s.Ends()
	bottom, top := line{s.u(low), 0}, line{s.u(high), 0}
	f := fit{lowLeast: []line{bottom}, lowMost: []line{top}, highLeast: []line{bottom}, highMost: []line{top},
		tauMost: most.Seconds()}
	both := g.both()
	for _, x := range g {
		x.limits(&f, scale, both)
	}
	// Figures that agree to the last digit may cross by it.
	hair := 1e-12 * math.Abs(top.a)
	for _, l := range [][]line{f.lowLeast, f.highLeast} {
		for i := range l {
			l[i].a -= hair
		}
	}
	return f
}

// align puts the sightings of one pass to the groups that they belong to. Both are in ascending order,
// which is kept. As many as possible find a group that some band explains together with them; among
// such ways the one is taken whose onsets lie nearest together. The others begin groups.
func align(groups []group, seen []sighting, most time.Duration) []group {
	type score struct {
		n    int
		cost float64
		took bool
	}
	n, m := len(groups), len(seen)
	best := make([][]score, n+1) // of the groups from i and the sightings from k on
	for i := range best {
		best[i] = make([]score, m+1)
	}
	better := func(a, b score) bool { return a.n > b.n || a.n == b.n && a.cost < b.cost }
	for i := n - 1; i >= 0; i-- {
		for k := m - 1; k >= 0; k-- {
			best[i][k] = best[i+1][k]
			if better(best[i][k+1], best[i][k]) {
				best[i][k] = best[i][k+1]
			}
			best[i][k].took = false
			if _, ok := groups[i].with(seen[k]).solve(1, most); ok {
				if s := (score{best[i+1][k+1].n + 1,
					best[i+1][k+1].cost + math.Abs(groups[i].place()-seen[k].onset.mid), true}); better(s, best[i][k]) {
					best[i][k] = s
				}
			}
		}
	}
	out := []group{}
	i, k := 0, 0
	for i < n && k < m {
		switch {
		case best[i][k].took:
			out = append(out, groups[i].with(seen[k]))
			i, k = i+1, k+1
		case better(best[i][k+1], best[i+1][k]):
			out = append(out, group{seen[k]})
			k++
		default:
			out = append(out, groups[i])
			i++
		}
	}
	out = append(out, groups[i:]...)
	for ; k < m; k++ {
		out = append(out, group{seen[k]})
	}
	slices.SortStableFunc(out, func(a, b group) int { return cmp.Compare(a.place(), b.place()) })
	return out
}

// unexplained leaves out groups of one direction whose every upset lies where groups of both directions
// upset the product: a pass that was blind between two bands takes them for one. It adds a group for
// every upset after a reset that lies in none: a band that began where the pass was blind.
func unexplained(groups []group, sightings []sighting, most time.Duration) []group {
	var regions []region
	known := func(from, to float64) bool {
		return slices.ContainsFunc(regions, func(r region) bool { return r.low[0] <= to && r.high[1] >= from })
	}
	var out, single []group
	for _, g := range groups {
		if !g.both() {
			single = append(single, g)
			continue
		}
		r, _ := g.solve(1, most)
		out, regions = append(out, g), append(regions, r)
	}
	var more []region
	for _, g := range single {
		if !slices.ContainsFunc(g, func(s sighting) bool {
			return len(s.again) == 0 ||
				!known(s.onset.from(), s.onset.to())
		}) {
			continue
		}
		r, _ := g.solve(1, most)
		out, more = append(out, g), append(more, r)
	}
	regions = append(regions, more...)
	for _, s := range sightings {
		for _, a := range s.again {
			from, to := min(a.reset.from(), a.seen.from()), max(a.reset.to(), a.seen.to())
			if known(from, to) {
				continue
			}
			x := s
			first, last := min(s.onset.from(), a.seen.from()), max(s.onset.to(), a.seen.to())
			x.anywhere, x.onset, x.again, x.inside = true, span{(first + last) / 2, (last - first) / 2}, nil, from
			if s.k < 0 {
				x.inside = to
			}
			i := slices.IndexFunc(out, func(g group) bool {
				_, ok := g.with(x).solve(1, most)
				return g[0].anywhere && ok
			})
			if i < 0 {
				out = append(out, group{x})
			} else {
				out[i] = out[i].with(x)
			}
		}
	}
	return out
}

// band tells the group as a band. The estimate is what the least share of what the readings leave open
// explains; where that leaves the latency open it is the least one, so that the band is at least as wide.
func (g group) band(swept [2]bool, most time.Duration) Band {
	all, _ := g.solve(1, most)
	tight, loose := 0.0, 1.0
	for range 40 {
		if _, ok := g.solve((tight+loose)/2, most); ok {
			loose = (tight + loose) / 2
		} else {
			tight = (tight + loose) / 2
		}
	}
	s := g[0].law
	point, _ := g.solve(loose, most)
	if g.both() {
		f := g.fit(loose, most)
		f.tauLeast, f.tauMost = point.tau[0], min(point.tau[0]*(1+1e-9)+1e-12, point.tau[1])
		point, _ = f.solve()
	}
	middle := func(x [2]float64) float64 { return (x[0] + x[1]) / 2 }
	seconds := func(x float64) time.Duration { return time.Duration(math.Round(max(x, 0) * 1e9)) }
	b := Band{Low: s.f(middle(point.low)), High: s.f(middle(point.high)), LowLeast: s.f(all.low[0]),
		LowMost: s.f(all.low[1]), HighLeast: s.f(all.high[0]), HighMost: s.f(all.high[1]),
		Latency: seconds(middle(point.tau)), LatencyLeast: seconds(all.tau[0]), LatencyMost: seconds(all.tau[1])}
	b.High = max(b.High, b.Low)
	b.SearchLow, b.SearchHigh = g.search(b)
	g.tell(&b, swept, most)
	return b
}

// search is where a stepped run has to look: within the limits of the band, and wherever the clock put
// an upset that belongs to it.
func (g group) search(b Band) (low, high rf.Frequency) {
	s := g[0].law
	bottom, top := s.Ends()
	low, high = b.LowLeast, b.HighMost
	reach := func(x span) { low, high = min(low, s.f(x.from())), max(high, s.f(x.to())) }
	for _, x := range g {
		reach(x.onset)
		if x.ends == recovered {
			reach(x.end)
		}
		for _, a := range x.again {
			reach(a.seen)
		}
	}
	return min(max(low, bottom), top), max(min(high, top), bottom)
}

// reach takes a stretch in which every pass was blind into the search of the band nearest to it.
func reach(bands []Band, from, to rf.Frequency) {
	apart := func(b Band) rf.Frequency { return max(from-b.SearchHigh, b.SearchLow-to, 0) }
	nearest := -1
	for i, b := range bands {
		if from >= b.LowLeast && to <= b.HighMost {
			return
		}
		if nearest < 0 || apart(b) < apart(bands[nearest]) {
			nearest = i
		}
	}
	b := &bands[nearest]
	b.SearchLow, b.SearchHigh = min(b.SearchLow, from), max(b.SearchHigh, to)
	b.Notes = append(b.Notes,
		fmt.Sprintf("from %v to %v no pass could see a further band: the product was upset from before; the stepped "+
			"run goes over it", from, to))
}

// tell says on what the band rests and what the user should know.
func (g group) tell(b *Band, swept [2]bool, most time.Duration) {
	note := func(format string, a ...any) { b.Notes = append(b.Notes, fmt.Sprintf(format, a...)) }
	slow, fast, byItself, more := math.Inf(1), 0.0, false, 0
	for _, s := range g {
		slow, fast = min(slow, math.Abs(s.k)), max(fast, math.Abs(s.k))
		byItself, more = byItself || s.ends == recovered, more+len(s.again)
	}
	switch {
	case !g.both():
		b.Rests = "one direction only: the latency lies anywhere up to its limit"
		if swept[0] && swept[1] {
			note("the other direction did not upset here: perhaps the level is just at the onset, or the product was " +
				"still upset from before")
		}
	case fast > 1.1*slow:
		b.Rests = "passes upwards and downwards at two rates: latency and width are told apart"
	case byItself:
		b.Rests = "a pass upwards and one downwards, with recoveries taken to be as late as onsets"
	default:
		b.Rests = "a pass upwards and one downwards of one rate: the middle is free of latency"
		note("width and latency are not told apart by one rate: the band is at least as wide, and the latency at " +
			"least as long, as shown")
	}
	if more > 0 {
		note("upsets that began again within %v of a reset (%d of them) are taken to belong to it: bands that a pass "+
			"crosses sooner than that are told as one", rf.Duration(most), more)
	}
	for _, s := range g {
		if s.never {
			note("in pass %d the product was not well again after the upset at an apparent %v: what that pass "+
				"crossed behind it, to %v, it did not look at", s.pass+1, s.law.f(s.onset.mid), s.law.To)
		}
	}
}

// overlapping joins bands of different monitors that overlap, and sorts all by their lower end.
func overlapping(all []Band, monitors []string) []Band {
	type told struct {
		Band
		monitor string
	}
	var list []told
	for i, b := range all {
		list = append(list, told{b, monitors[i]})
	}
	slices.SortStableFunc(list, func(a, b told) int { return cmp.Compare(a.Low, b.Low) })
	var out []told
	for _, b := range list {
		i := slices.IndexFunc(out, func(o told) bool {
			return o.monitor != b.monitor && o.Low <= b.HighMost && b.Low <= o.HighMost && b.LowLeast <= o.High
		})
		if i < 0 {
			out = append(out, b)
			continue
		}
		o := &out[i]
		if b.Latency < o.Latency {
			o.Latency, o.LatencyLeast, o.LatencyMost = b.Latency, b.LatencyLeast, b.LatencyMost
		}
		o.LowLeast, o.LowMost, o.HighLeast, o.HighMost = min(o.LowLeast, b.LowLeast), min(o.LowMost, b.LowMost),
			max(o.HighLeast, b.HighLeast), max(o.HighMost, b.HighMost)
		o.High, o.SearchLow, o.SearchHigh = max(o.High, b.High), min(o.SearchLow, b.SearchLow), max(o.SearchHigh,
			b.SearchHigh)
		o.Notes = append(o.Notes, b.Notes...)
	}
	bands := make([]Band, 0, len(out))
	for _, o := range out {
		bands = append(bands, o.Band)
	}
	return bands
}
