package simbench

import "testing"

// BenchmarkExchangeOverTCP measures one set and query in one message on loopback.
func BenchmarkExchangeOverTCP(b *testing.B) {
	bench := New(Config{})
	defer bench.Close()
	if err := bench.Listen("127.0.0.1:0"); err != nil {
		b.Fatal(err)
	}
	c := dialForBenchmark(b, bench)
	for b.Loop() {
		c.Write([]byte("VOLT 0.1;:OUTP 1;:SYST:ERR?\n"))
		if _, err := c.Read(make([]byte, 64)); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkNewBench measures the making of a bench.
func BenchmarkNewBench(b *testing.B) {
	for seed := uint64(0); b.Loop(); seed++ {
		New(Config{Seed: seed}).Close()
	}
}
