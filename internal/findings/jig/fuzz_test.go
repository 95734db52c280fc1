package jig

import "testing"

// FuzzParseLevels: readings are refused with their place, or each has a frequency, a drive and a current.
func FuzzParseLevels(f *testing.F) {
	f.Add([]byte("f/MHz;drive/dBm;I/dBµA\n1;-20;60\n"))
	f.Add([]byte("frequency (kHz),current (mA),drive (dBm)\n150,1e3,-20\n"))
	f.Add([]byte("f/MHz;drive/dBm;I/dBµA\n;;\n1e999;x;\xff\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		levels, list := ParseLevels("l.csv", data)
		if (len(levels) == 0) != (list.Err() != nil) {
			t.Fatalf("%d readings beside %v", len(levels), list)
		}
		for _, l := range levels {
			if !l.Frequency.Known() || !l.Drive.Exact() || !l.Current.Exact() {
				t.Errorf("%+v", l)
			}
		}
	})
}
