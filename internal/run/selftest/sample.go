package selftest

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"provoke/internal/job/event"
)

// Sample tries faults at random messages of a run, in real time.
type Sample struct {
	Cases int
	Lanes int // how many at a time; 0 means 8: they mostly wait
	Seed  uint64
	Tell  func(done int)
}

// SampleResult sums a sample up.
type SampleResult struct {
	Messages map[string]int // of a run that nobody disturbs, by instrument
	Possible int            // messages × kinds of fault
	Cases    int
	Verdicts map[event.Verdict]int // "" for a bench that was not even opened
	OnAfter  time.Duration         // the longest that RF was on after the cause was recorded
	Breaches []string
}

// Do tries the cases.
func (s Sample) Do(ctx context.Context) (SampleResult, error) {
	whole := Case{}.Do(ctx)
	if whole.Err != nil || len(whole.Breaches) > 0 {
		return SampleResult{}, fmt.Errorf("self-test: a run that nobody disturbs: %w %v", whole.Err, whole.Breaches)
	}
	out := SampleResult{Messages: whole.Messages, Verdicts: map[event.Verdict]int{}}
	for _, n := range whole.Messages {
		out.Possible += n * len(All())
	}
	lanes := s.Lanes
	if lanes == 0 {
		lanes = 8
	}
	r := rand.New(rand.NewPCG(s.Seed, 1))
	cases := make([]Case, s.Cases)
	for i := range cases {
		f := Draw(r, whole.Messages)
		cases[i] = Case{Faults: []Fault{f}, Wait: 2500 * time.Millisecond}
	}
	var mu sync.Mutex
	var wg sync.WaitGroup
	for lane := range lanes {
		wg.Go(func() {
			for i := lane; i < len(cases) && ctx.Err() == nil; i += lanes {
				o := cases[i].Do(ctx)
				mu.Lock()
				out.add(cases[i], o)
				if s.Tell != nil {
					s.Tell(out.Cases)
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	return out, ctx.Err()
}

func (s *SampleResult) add(c Case, o Outcome) {
	s.Cases++
	s.Verdicts[o.Verdict]++
	s.OnAfter = max(s.OnAfter, o.OnAfter)
	for _, b := range o.Breaches {
		s.Breaches = append(s.Breaches, fmt.Sprintf("%+v: %s", c.Faults, b))
	}
}
