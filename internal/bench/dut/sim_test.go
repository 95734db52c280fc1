package dut_test

import (
	"sync"
	"testing"
	"time"

	"provoke/internal/bench/dut"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
)

func TestTheSimulatedWeigherIsWatchedOverARealSocket(t *testing.T) {
	b := simbench.New(simbench.Config{Speed: 50})
	defer b.Close()
	if err := b.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	m, err := dut.New(catalog.Monitor{
		Identity: catalog.Identity{ID: "SCALE"}, Kind: catalog.MonitorText,
		Connection: catalog.Connection{Address: b.Address("dut")}, Pattern: `([-0-9.]+) kg`, Reset: "RESET",
	}, dut.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	var mu sync.Mutex
	var got []dut.Sample
	enough := make(chan struct{})
	deliver := func(s dut.Sample) {
		mu.Lock()
		defer mu.Unlock()
		if got = append(got, s); len(got) == 5 {
			close(enough)
		}
	}
	if err := m.Start(t.Context(), deliver); err != nil {
		t.Fatal(err)
	}
	select {
	case <-enough:
	case <-time.After(10 * time.Second):
		t.Fatal("the weigher says nothing")
	}
	if err := m.Reset(t.Context()); err != nil {
		t.Error(err)
	}
	mu.Lock()
	defer mu.Unlock()
	for _, s := range got {
		// The invented weigher has 12.34 kg on its belt and 6 g of noise.
		if !s.HasValue || s.Value < 12.3 || s.Value > 12.38 {
			t.Errorf("%+v", s)
		}
	}
}
