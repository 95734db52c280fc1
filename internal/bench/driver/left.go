package driver

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"

	"provoke/internal/bench/guard"
	"provoke/internal/bench/scpi"
	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// Difference is the first thing in which what was read of a source is not what is wanted, in words;
// What is empty where all agrees. What the source may round a setting by is no difference.
type Difference struct{ What, Want, Read string }

// Differs compares what was read of a source with a setting. What is absent in want is not compared.
func Differs(spec catalog.Source, want, read guard.Setting) Difference {
	if want.Output != read.Output {
		return Difference{"the output", onOff(want.Output), onOff(read.Output)}
	}
	if want.Frequency.Known() && math.Abs(float64(want.Frequency-read.Frequency)) > max(1,
		frequencyTolerance*want.Frequency.Hz()) {
		return Difference{"the frequency", want.Frequency.String(), read.Frequency.String()}
	}
	if want.Level.Known() {
		d, bound := read.Level.Minus(want.Level)
		if bound != rf.Exactly || math.Abs(d.DB()) > max(levelTolerance, spec.Resolution/2).DB() {
			return Difference{"the level", want.Level.Text(2), read.Level.Text(2)}
		}
	}
	if w := spoken(want.Modulation); !same(w, read.Modulation) {
		return Difference{"the modulation", describe(w), describe(read.Modulation)}
	}
	return Difference{}
}

// AmplifierState is what an amplifier says of itself. Fault and Gain are absent, and empty, where its command
// table does not ask for them; a Fault that the amplifier answers as none is empty too.
type AmplifierState struct {
	Operating   bool
	Fault, Gain string
}

// State asks for everything that the command table can ask, in one message.
func (a *amplifier) State(ctx context.Context) (s AmplifierState, err error) {
	verbs := a.table.having(OperateAsk, FaultAsk, GainModeAsk)
	err = a.hold(ctx, func(h *speech) error {
		units := a.table.each(verbs...)
		answers, err := h.ask(verbs...)
		if err != nil {
			return err
		}
		for i, v := range verbs {
			answer := strings.TrimSpace(answers[i])
			switch {
			case answer == "":
				return h.Garbage(units[i], errors.New("the answer is empty"))
			case v == FaultAsk:
				s.Fault = faultOf(answer)
			case v == GainModeAsk:
				s.Gain = answer
			default:
				if s.Operating, err = scpi.ParseBool(answer); err != nil {
					return h.Garbage(units[i], err)
				}
			}
		}
		return nil
	})
	return s, err
}

// faultOf returns the fault in an answer; empty for the answers that mean none: 0, OFF, NONE, OK and a
// number 0 with words behind it.
func faultOf(answer string) string {
	number, _, _ := strings.Cut(answer, ",")
	switch strings.Trim(upper(number), `"+ `) {
	case "0", "OFF", "NONE", "OK", "NO":
		return ""
	}
	return answer
}

// Words tell the state in a line.
func (s AmplifierState) Words() string {
	words := "standby"
	if s.Operating {
		words = "operate"
	}
	if s.Fault != "" {
		words += fmt.Sprintf(", fault %s", s.Fault)
	}
	if s.Gain != "" {
		words += fmt.Sprintf(", gain mode %s", s.Gain)
	}
	return words
}
