package catalog_test

import (
	"strings"
	"testing"

	"provoke/internal/files/catalog"
)

const soundMonitor = `monitors:
  - id: MIC1
    kind: sound
    command: [record, raw]
    sample_rate: 48 kHz
    channels: 2
    format: s16le
    from: 2.8 kHz
    to: 3.2 kHz
    every: 40 ms
    tolerance: 10 dB
    silence: 2 s
    latency: 100 ms
`

func TestASoundIsReadFromTheBenchFile(t *testing.T) {
	b, err := withPictures(soundMonitor)
	if err != nil {
		t.Fatal(err)
	}
	m := b.Monitors[0]
	want := catalog.PCM{Rate: 48000, Channels: 2, From: 2800, To: 3200}
	if m.Sound != want || m.Unit != "dB" || m.Tolerance != 10 || m.Window().String() != "80 ms" {
		t.Errorf("%+v", m)
	}
	on := catalog.OnlookersOf(b.Monitors)
	if len(on) != 1 || on[0].String() != "Microphone" ||
		on[0].Says != "MIC1, sound from the command record raw; latency 100 ms" {
		t.Errorf("%+v", on)
	}
}

func TestASoundThatCannotBeHeardIsRefused(t *testing.T) {
	for change, want := range map[string]string{
		"    command: [record, raw]\n|":          "needs address or command",
		"[record, raw]|[]":                       "command is empty",
		"command: [record, raw]|url: x":          "a monitor of kind sound has no url",
		"sample_rate: 48 kHz|sample_rate: 44 Hz": "44 Hz is no rate of samples",
		"channels: 2|channels: 9":                "9 channels",
		"s16le|float32":                          "a sound in float32 is not understood",
		"tolerance: 10 dB|tolerance: 2 mV":       "counts in dB",
		"to: 3.2 kHz|to: 24 kHz":                 "tell from 25 Hz to 23.975 kHz",
		"from: 2.8 kHz|from: 10 Hz":              "cannot be heard",
		"to: 3.2 kHz|to: 2.84 kHz":               "narrower than the 50 Hz",
		"to: 3.2 kHz|to: 2 kHz":                  "narrower than",
		"every: 40 ms|every: 2 s":                "is read every 10 ms to 1 s",
		"    silence: 2 s\n|":                    "has no silence",
		"    format: s16le\n|":                   "has no format",
	} {
		from, to, _ := strings.Cut(change, "|")
		if !strings.Contains(soundMonitor, from) {
			t.Fatalf("%q is not in the file", from)
		}
		_, err := withPictures(strings.Replace(soundMonitor, from, to, 1))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", change, err)
		}
	}
	_, err := withPictures("monitors: [{id: REG, kind: modbus, address: TCPIP::192.0.2.7::502::SOCKET, silence: 1 s, " +
		"register: holding 1, format: s16le, tolerance: 1 kg}]\n")
	if err == nil || !strings.Contains(err.Error(), "holds no samples of a sound") {
		t.Errorf("a register of samples: %v", err)
	}
}
