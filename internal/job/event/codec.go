package event

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"sort"
	"strconv"
	"strings"
	"time"

	"provoke/internal/units/rf"
)

// ErrUnreadable is wrapped by Unmarshal when a record is of a kind, a version or a form that this
// program does not know. The record comes with it as an Unknown.
var ErrUnreadable = errors.New("this program cannot read the record")

// Unknown is a record that this program cannot read, as it stands in the journal. It is never written.
type Unknown struct {
	KindName string
	Body     []byte
}

// Kind returns the kind that the record names.
func (u Unknown) Kind() string { return u.KindName }

// kinds holds every event by its kind.
var kinds = map[string]func(string) (Event, error){
	Opened{}.Kind():             decode[Opened],
	Armed{}.Kind():              decode[Armed],
	Watching{}.Kind():           decode[Watching],
	FirstLight{}.Kind():         decode[FirstLight],
	Intent{}.Kind():             decode[Intent],
	StepClosed{}.Kind():         decode[StepClosed],
	Hold{}.Kind():               decode[Hold],
	Resumed{}.Kind():            decode[Resumed],
	Tripped{}.Kind():            decode[Tripped],
	OperatorMark{}.Kind():       decode[OperatorMark],
	Stopping{}.Kind():           decode[Stopping],
	Safed{}.Kind():              decode[Safed],
	Note{}.Kind():               decode[Note],
	Attached{}.Kind():           decode[Attached],
	LaboratoryFailures{}.Kind(): decode[LaboratoryFailures],
	Closed{}.Kind():             decode[Closed],
	ByHand{}.Kind():             decode[ByHand],
	HardwareOff{}.Kind():        decode[HardwareOff],
	SweepPass{}.Kind():          decode[SweepPass],
	SweepBands{}.Kind():         decode[SweepBands],
	TraceRead{}.Kind():          decode[TraceRead],
	LogRead{}.Kind():            decode[LogRead],
	Imported{}.Kind():           decode[Imported],
	ClockSet{}.Kind():           decode[ClockSet],
	HandsIn{}.Kind():            decode[HandsIn],
	HandsOut{}.Kind():           decode[HandsOut],
	Reference{}.Kind():          decode[Reference],
}

// Kinds returns the name of every kind of event, sorted.
func Kinds() []string {
	names := make([]string, 0, len(kinds))
	for k := range kinds {
		names = append(names, k)
	}
	sort.Strings(names)
	return names
}

// Marshal returns the kind of an event and its canonical JSON: fields in the order in which
// docs/journal.md lists them, no white space, levels as text with their unit, absent left out. The
// same event always gives the same bytes. It refuses what Unmarshal could not read again: a gain
// that is not finite, an event of another program version, an Unknown. A reading or a recovery
// level that is not a finite number is written as absent.
func Marshal(e Event) (kind string, body []byte, err error) {
	if e == nil {
		return "", nil, errors.New("write event: there is no event")
	}
	kind = e.Kind()
	if _, ok := kinds[kind]; !ok {
		return kind, nil, fmt.Errorf("write event: %q is not a kind of event that this program writes", kind)
	}
	switch c := e.(type) {
	case Unknown:
		return kind, nil, fmt.Errorf("write %s event: a record that could not be read is not written again", kind)
	case StepClosed:
		if at := c.Outcome.RecoveredAt; at != nil && !at.Finite() {
			c.Outcome.RecoveredAt = nil
			e = c
		}
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(e); err != nil {
		return kind, nil, fmt.Errorf("write %s event: %w", kind, err)
	}
	body = bytes.TrimSuffix(b.Bytes(), []byte("\n"))
	if _, err := Unmarshal(kind, body); err != nil {
		return kind, nil, fmt.Errorf("write %s event: it could not be read again: %w", kind, err)
	}
	return kind, body, nil
}

// Unmarshal returns the event of a record. It is strict: a kind, a format version or a field that
// this program does not know, and anything after the event, is an error that wraps ErrUnreadable;
// the event that comes with the error is an Unknown, so that the record can still be shown.
func Unmarshal(kind string, body []byte) (Event, error) { return UnmarshalString(kind, string(body)) }

// UnmarshalString is Unmarshal for a body that is text already; the event may hold parts of it.
func UnmarshalString(kind, body string) (Event, error) { return new(Decoder).Unmarshal(kind, body) }

// Unmarshal is UnmarshalString for the next of several records.
func (d *Decoder) Unmarshal(kind, body string) (Event, error) {
	if e, ok := d.quick(kind, body); ok {
		return e, nil
	}
	read, ok := kinds[kind]
	if !ok {
		return Unknown{kind, []byte(body)}, fmt.Errorf("%w: unknown kind of event %q (written by a newer provoke?)",
			ErrUnreadable, kind)
	}
	e, err := read(body)
	if err != nil {
		return Unknown{kind, []byte(body)}, fmt.Errorf("%w: %s event: %v", ErrUnreadable, kind, err)
	}
	if o, ok := e.(Opened); ok && (o.Version < 1 || o.Version > Version) {
		return Unknown{kind, []byte(body)}, fmt.Errorf(
			"%w: the run is written in version %d of the journal format, this program reads 1 to %d", ErrUnreadable,
			o.Version, Version)
	}
	return e, nil
}

func decode[E Event](body string) (Event, error) {
	var e E
	if err := strict([]byte(body), &e); err != nil {
		return nil, err
	}
	return e, nil
}

// strict decodes exactly one JSON object without unknown fields.
func strict(body []byte, into any) error {
	if len(body) == 0 || body[0] != '{' {
		return errors.New("the body is not a JSON object")
	}
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return errors.New("something follows the JSON object")
	}
	return nil
}

// TimeFormat is how the journal writes the time of a record: UTC, always nine decimals.
const TimeFormat = "2006-01-02T15:04:05.000000000Z"

// FormatTime writes a time in TimeFormat.
func FormatTime(at time.Time) string { return at.UTC().Format(TimeFormat) }

// ParseTime reads what FormatTime writes, and nothing else.
func ParseTime(text string) (time.Time, error) {
	at, err := time.Parse(time.RFC3339Nano, text)
	if err != nil || len(text) != len(TimeFormat) || text[len(text)-1] != 'Z' {
		return time.Time{}, fmt.Errorf("%q is not a time as the journal writes it (%s)", text, TimeFormat)
	}
	return at, nil
}

// ChainHash returns the chain hash of a record: the SHA-256, as 64 lower-case hexadecimal digits,
// of these lines, each ended by one line feed, followed by the body:
//
//	provoke journal 1
//	the chain hash of the record before it in the run; an empty line for the first
//	run, as a decimal number
//	seq, as a decimal number
//	at, in TimeFormat
//	kind
//
// No field but the body can hold a line feed, so no two records give the same input.
func ChainHash(previous string, run int, seq int64, at time.Time, kind string, body []byte) string {
	b := make([]byte, 0, 192+len(body))
	b = append(b, "provoke journal 1\n"...)
	b = append(append(b, previous...), '\n')
	b = append(strconv.AppendInt(b, int64(run), 10), '\n')
	b = append(strconv.AppendInt(b, seq, 10), '\n')
	b = append(at.UTC().AppendFormat(b, TimeFormat), '\n')
	b = append(append(b, kind...), '\n')
	b = append(b, body...)
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// finite returns nil where there is no finite number to write.
func finite(x float64, has bool) *float64 {
	if !has {
		return nil
	}
	return rf.OrNull(x)
}

type readingJSON struct {
	Monitor string   `json:"monitor"`
	After   signed   `json:"after"`
	Text    string   `json:"text,omitempty"`
	Value   *float64 `json:"value,omitempty"`
	Bad     bool     `json:"bad,omitempty"`
	Why     string   `json:"why,omitempty"`
	RFOn    bool     `json:"rfOn,omitempty"`
}

// signed is a duration that may be negative.
type signed rf.Duration

// MarshalText writes "-0.5 s"; no time at all is "0 s".
func (d signed) MarshalText() ([]byte, error) {
	if d == 0 {
		return []byte("0 s"), nil
	}
	return rf.Duration(d).MarshalText()
}

// UnmarshalText reads what MarshalText writes.
func (d *signed) UnmarshalText(text []byte) error {
	rest, negative := strings.CutPrefix(string(text), "-")
	v, err := rf.ParseDuration(rest)
	if negative {
		v = -v
	}
	*d = signed(v)
	return err
}

// MarshalJSON writes the reading with its value only where it has one.
func (r Reading) MarshalJSON() ([]byte, error) {
	return marshal(readingJSON{r.Monitor, signed(r.After), r.Text, finite(r.Value, r.HasValue), r.Bad, r.Why, r.RFOn})
}

// UnmarshalJSON reads what MarshalJSON writes.
func (r *Reading) UnmarshalJSON(b []byte) error {
	var j readingJSON
	if err := strict(b, &j); err != nil {
		return err
	}
	*r = Reading{Monitor: j.Monitor, After: rf.Duration(j.After), Text: j.Text, Bad: j.Bad, Why: j.Why, RFOn: j.RFOn}
	if j.Value != nil {
		r.Value, r.HasValue = *j.Value, true
	}
	return nil
}

type monitorJSON struct {
	ID        string      `json:"id"`
	Kind      string      `json:"kind"`
	Unit      string      `json:"unit,omitempty"`
	Tolerance *float64    `json:"tolerance,omitempty"`
	Latency   rf.Duration `json:"latency,omitempty"`
	Baseline  *float64    `json:"baseline,omitempty"`
}

// MarshalJSON writes the monitor with its baseline only where it has one.
func (m Monitor) MarshalJSON() ([]byte, error) {
	return marshal(monitorJSON{m.ID, m.Kind, m.Unit, finite(m.Tolerance, m.Tolerance != 0), m.Latency,
		finite(m.Baseline, m.HasBaseline)})
}

// UnmarshalJSON reads what MarshalJSON writes.
func (m *Monitor) UnmarshalJSON(b []byte) error {
	var j monitorJSON
	if err := strict(b, &j); err != nil {
		return err
	}
	*m = Monitor{ID: j.ID, Kind: j.Kind, Unit: j.Unit, Latency: j.Latency}
	if j.Tolerance != nil {
		m.Tolerance = *j.Tolerance
	}
	if j.Baseline != nil {
		m.Baseline, m.HasBaseline = *j.Baseline, true
	}
	return nil
}

// marshal is json.Marshal without the escapes for HTML.
func marshal(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	err := enc.Encode(v)
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), err
}

// KindName returns the name of a kind, the one copy of it where it is known.
func KindName(text string) string {
	if name, ok := names[text]; ok {
		return name
	}
	return text
}

var names = func() map[string]string {
	m := make(map[string]string, len(kinds))
	for k := range kinds {
		m[k] = k
	}
	return m
}()
