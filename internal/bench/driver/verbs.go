package driver

import (
	"fmt"
	"slices"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/files/document"
)

// verbSays says what every verb tells or asks, in the order in which they are listed.
var verbSays = []struct {
	verb Verb
	says string
}{
	{Identify, "who it is"},
	{Complete, "answers 1 once everything that was sent before is done"},
	{Preset, "brings it to a known beginning; told when a run arms, with the output off and the amplifier in standby"},
	{Frequency, "frequency"},
	{FrequencyAsk, "frequency"},
	{Level, "level, in the unit of counts_in"},
	{LevelAsk, "level, in the unit of counts_in"},
	{UnitAsk, "unit of the level of a source in volts: VPP, VRMS or DBM"},
	{LoadAsk, "load that a source in volts counts for: ohm, or infinity"},
	{OffsetAsk, "direct voltage, which must be 0 V"},
	{OutputOn, "switches the output on"},
	{OutputOff, "switches the output off"},
	{OutputAsk, "whether the output is on"},
	{WaveformSine, "makes the carrier a sine"},
	{WaveformAsk, "waveform: an answer that begins with SIN"},
	{SweepOff, "ends a sweep or list"},
	{SweepAsk, "sweep: 0, OFF, CW or FIX means none"},
	{BurstOff, "ends a burst"},
	{BurstAsk, "burst: 0 or OFF means none"},
	{FMOff, "switches frequency modulation off"},
	{FMAsk, "frequency modulation: 0 or OFF means none"},
	{PMOff, "switches phase modulation off"},
	{PMAsk, "phase modulation: 0 or OFF means none"},
	{AMInternal, "has AM come from inside"},
	{AMSourceAsk, "where AM comes from: INT"},
	{AMForm, "makes the modulating waveform a sine"},
	{AMPoints, "loads one period of a sine, for a source that takes an arbitrary waveform"},
	{AMDepth, "depth of AM"},
	{AMDepthAsk, "depth of AM"},
	{AMRate, "rate of AM; {ms} writes its period"},
	{AMRateAsk, "rate of AM"},
	{AMOn, "switches AM on"},
	{AMOff, "switches AM off"},
	{AMAsk, "whether AM is on"},
	{PulseInternal, "has pulses come from inside"},
	{PulseSourceAsk, "where pulses come from: INT"},
	{PulseForm, "makes the pulses rectangular"},
	{PulseRate, "rate of pulses; {ms} writes their period"},
	{PulseRateAsk, "rate of pulses"},
	{PulseDuty, "share of the period in which the carrier is on"},
	{PulseDutyAsk, "share of the period in which the carrier is on"},
	{PulseWidth, "width of a pulse, in place of the duty"},
	{PulseWidthAsk, "width of a pulse, in place of the duty"},
	{PulseOn, "switches pulse modulation on"},
	{PulseOff, "switches pulse modulation off"},
	{PulseAsk, "whether pulse modulation is on"},
	{OutputLimit, "largest level that it takes, whatever it is told; in the unit of counts_in"},
	{OutputLimitAsk, "largest level that it takes"},
	{LimitOn, "switches that limit on"},
	{LimitOnAsk, "whether that limit is on"},
	{OffWhenLost, "has the output go off when the connection is lost"},
	{OffWhenLostAsk, "whether the output goes off when the connection is lost"},

	{Operate, "takes the amplifier out of standby"},
	{Standby, "takes the amplifier to standby"},
	{OperateAsk, "whether it operates"},
	{FaultAsk, "fault: 0, OFF, NONE, NO or OK means none, anything else trips"},
	{GainModeAsk, "gain mode, any word: it may not change while a run is armed"},

	{ZeroSpan, "makes the span 0"},
	{Span, "span in which the peak is searched"},
	{Bandwidth, "resolution bandwidth"},
	{ReferenceLevel,
		"reference level, or the range of a voltmeter; {V}, {dBµV} and their like write it in another unit"},
	{Attenuation, "input attenuator, which is told 0 dB"},
	{Detector, "chooses the detector that reads a carrier"},
	{MeasuringTime, "measuring time"},
	{SingleSweep, "has it sweep when it is told and not by itself"},
	{Sweep, "takes one sweep; may be a question that is answered when it is done"},
	{PeakSearch, "puts the marker on the highest peak"},
	{ReadAsk, "one new reading"},
	{MarkerFrequencyAsk, "frequency at which the peak was found"},
	{OverloadAsk, "status of the input: any bit of overload_bits means an overload"},
	{TraceFormat, "has traces, or captures, come as trace_as says"},
	{TraceAsk, "all levels of a trace, or all readings of a capture"},
	{TraceStartAsk, "frequency of the trace's first point"},
	{TraceStopAsk, "frequency of the trace's last point"},
	{TracePointsAsk, "how many points the trace has"},

	{ForwardAsk, "power at the coupler's forward port"},
	{ReverseAsk, "power at the coupler's reverse port"},

	{ClosedAsk, "whether the interlock is closed"},
	{Route, "closes the route of that name"},
	{RouteAsk, "which route is closed"},
	{SwitchOn, "switches the output on that feeds the product"},
	{SwitchOff, "switches it off"},
	{OnAsk, "whether it is on"},
	{Samples, "number of readings of a capture"},
	{Interval, "time between two readings of a capture"},
}

// Verbs lists what an instrument of a role can be told and asked. Required is what every table of the role
// needs; Says tells what some need, and what comes only together.
func Verbs(role Role) []document.Key {
	kinds := []Table{{Role: role}}
	switch role {
	case RoleSource:
		kinds = []Table{{Role: role, CountsIn: catalog.CountsDBm}, {Role: role, CountsIn: catalog.CountsVpp},
			{Role: role, Commands: map[Verb]string{PulseWidth: "x"}}}
	case RoleAnalyser:
		kinds = nil
		for _, reads := range []Reads{ReadsZeroSpan, ReadsPeakSearch, ReadsReceiver, ReadsBroadband} {
			kinds = append(kinds, Table{Role: role, Reads: reads})
		}
	}
	var out []document.Key
	for _, x := range verbSays {
		needed, known, others := 0, 0, []Verb(nil)
		var needs []string
		for _, t := range kinds {
			w, _ := t.wants()
			group := slices.IndexFunc(w.groups, func(g []Verb) bool { return slices.Contains(g, x.verb) })
			if group >= 0 && others == nil {
				others = w.groups[group]
			}
			if slices.Contains(w.must, x.verb) {
				needed++
				needs = append(needs, string(t.Reads))
			}
			if group >= 0 || slices.Contains(w.must, x.verb) || slices.Contains(w.may, x.verb) {
				known++
			}
		}
		if known == 0 {
			continue
		}
		k := document.Key{Path: string(x.verb), Takes: takesOf(x.verb), Required: needed == len(kinds), Says: x.says}
		switch {
		case needed > 0 && needed < len(kinds) && role == RoleAnalyser:
			k.Says += "; needed with reads: " + strings.Join(needs, ", ")
		case needed > 0 && needed < len(kinds):
			k.Says += "; needed with counts_in: Vpp, unless the table says what it assumes"
		case others != nil:
			k.Says += fmt.Sprintf("; together with %s", others[0])
		}
		if x.verb == OverloadAsk {
			k.Required, k.Says = false, k.Says+"; needed unless quirks.no_overload_status"
		}
		out = append(out, k)
	}
	return out
}

// takesOf words what goes into a command, or what its answer counts in.
func takesOf(v Verb) string {
	counts := countsOf(v)
	if counts == "level" {
		counts = "dBm"
	}
	asks := strings.HasSuffix(string(v), "?")
	switch {
	case asks && counts != "":
		return "a question, answered in " + counts
	case asks:
		return "a question"
	case v == Route:
		return "a command with {}: a name"
	case numbered(v) && counts != "":
		text := "a command with {}: " + counts
		if mayBeFixed(v) {
			text += "; or a fixed one without"
		}
		return text
	case numbered(v):
		return "a command with {}: a number"
	}
	return "a command"
}
