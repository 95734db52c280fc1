package catalog_test

import (
	"fmt"
	"strings"
	"testing"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
)

// leastBench is the least that is asked for, with its monitors.
const leastBench = `provoke: bench 1
name: invented
source: {id: GEN1, kind: signal generator, band: 1 MHz to 2 MHz, minimum: -100 dBm, maximum: 0 dBm, resolution: 0.1 dB, counts_in: dBm}
clamp: {id: C1, insertion_loss: {flat: 6 dB, band: 1 MHz to 2 MHz}}
cable: {id: W1}
dut: {id: DUT1}
MONITORS`

// watchedBench is a bench with the least that is asked for, and its monitors as given.
func watchedBench(monitors string) (*catalog.Bench, problem.List) {
	return catalog.Parse("bench.yaml", []byte(strings.Replace(leastBench, "MONITORS", monitors, 1)),
		func(string) ([]byte, error) { return nil, fmt.Errorf("no files") })
}

const allMonitors = `monitors:
  - {id: REG, kind: modbus, address: TCPIP::192.0.2.1::502::SOCKET, register: holding 100, station: 3, format: int32, word_order: low first, scale: 0.01 kg, tolerance: 0.05 kg, silence: 2 s}
  - {id: BUS, kind: modbus, address: ASRL3::INSTR, serial_line: 19200 8E1, register: input 7, tolerance: 2 counts, silence: 2 s}
  - {id: MSG, kind: mqtt, address: TCPIP::192.0.2.1::1883::SOCKET, topic: scale/net, field: net.weight, tolerance: 0.05 kg, silence: 5 s}
  - {id: WEB, kind: http, url: "http://192.0.2.1/state.json", field: "cells[2].volt", tolerance: 1 mV, silence: 5 s}
  - {id: ECHO, kind: ping, host: 192.0.2.1, silence: 2 s}
  - {id: OUT, kind: analogue, address: TCPIP::192.0.2.1::5025::SOCKET, capture: 20 ms, samples: 2000, tolerance: 10 mV, peak_tolerance: 40 mV, silence: 2 s}
power_relay: {id: K1, address: "TCPIP::192.0.2.1::5026::SOCKET", off_for: 2 s, starts_in: 5 s, cycles: 20}
`

func TestEveryWayOfWatchingIsReadFromTheBenchFile(t *testing.T) {
	b, list := watchedBench(allMonitors)
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	m := b.Monitors
	if r := m[0].Modbus; r.Table != catalog.HoldingRegister || r.Number != 100 || r.Station != 3 ||
		r.Format != "int32" || !r.LowWordFirst || r.Scale != 0.01 || m[0].Unit != "kg" {
		t.Errorf("register %+v", r)
	}
	if r := m[1].Modbus; r.Table != catalog.InputRegister || r.Station != 1 || r.Format != "uint16" || r.Scale != 1 ||
		m[1].SerialLine != "19200 8E1" {
		t.Errorf("register on a serial line %+v", r)
	}
	if m[2].Topic != "scale/net" || m[2].Field != "net.weight" || m[3].URL == "" || m[4].Host != "192.0.2.1" {
		t.Errorf("%+v", m[2:5])
	}
	if m[5].Samples != 2000 || m[5].PeakTolerance != 40 || m[5].Table != catalog.TableCapture {
		t.Errorf("%+v", m[5])
	}
	if r := b.PowerRelay; r == nil || r.Cycles != 20 || r.Table != catalog.TableRelay {
		t.Errorf("relay %+v", r)
	}
}

func TestAMonitorThatCannotWatchIsRefused(t *testing.T) {
	for change, want := range map[string]string{
		"register: holding 100|register: 40101":         `"40101" is not a register`,
		"register: holding 100|register: holding 70000": `register number "70000"`,
		"register: holding 100|register: keeping 100":   `"keeping" is not one of`,
		"register: holding 100|register: coil 100":      "a coil is one bit",
		"station: 3|station: 300":                       "station 300",
		"format: int32, word_order: low first|word_order: low first": "a number of one register has no " +
			"order of words",
		"scale: 0.01 kg|scale: 0.01 g": "scale counts in g and its " +
			"tolerance in kg",
		"scale: 0.01 kg|scale: 0 kg": "a scale of 0",
		", serial_line: 19200 8E1|":  "has no serial_line",
		"topic: scale/net, |":        "has no topic",
		"field: net.weight, |": "a tolerance but neither field nor " +
			"pattern",
		"field: net.weight|field: \"net weight\"":                               "does not name a field",
		"http://192.0.2.1/state.json|state.json":                                "is not a web address",
		"kind: ping, host: 192.0.2.1, silence: 2 s|kind: ping, host: 192.0.2.1": "has no silence",
		"capture: 20 ms|capture: 0 ms":                                          "lasts no time",
		"samples: 2000|samples: 3":                                              "3 readings in a capture",
		"peak_tolerance: 40 mV|peak_tolerance: 40 V":                            "peak_tolerance counts in V",
		"cycles: 20|cycles: 0":                                                  "a limit of 0 cycles",
		"off_for: 2 s|off_for: 0 s":                                             "off for no time",
		"kind: ping, host|kind: ping, topic: t, host":                           "a monitor of kind ping has no topic",
	} {
		from, to, _ := strings.Cut(change, "|")
		if !strings.Contains(allMonitors, from) {
			t.Fatalf("%q is not in the file", from)
		}
		_, list := watchedBench(strings.Replace(allMonitors, from, to, 1))
		if err := list.Err(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", change, err)
		}
	}
}
