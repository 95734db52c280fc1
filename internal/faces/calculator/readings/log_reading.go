package readings

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"provoke/internal/files/trace"
	"provoke/internal/units/rf"
)

// settings reads the texts.
func (c LogAsked) settings() (s trace.LogSettings, tolerance float64, unit string, err error) {
	fail := func(flag string, e error) {
		if err == nil && e != nil {
			err = fmt.Errorf("--%s: %w", flag, e)
		}
	}
	var e error
	text, negative := strings.CutPrefix(strings.NewReplacer("\u2212", "-", "+",
		"").Replace(strings.TrimSpace(c.Offset)), "-")
	if text != "0 s" && text != "0" {
		d, e := rf.ParseDuration(text)
		fail("offset", e)
		if s.Offset = d.Std(); negative {
			s.Offset = -s.Offset
		}
	}
	s.AskZone = c.Zone == ""
	s.Zone, e = zoneOf(c.Zone)
	fail("zone", e)
	if c.Date != "" {
		s.Date, e = time.ParseInLocation("2006-01-02", c.Date, s.Zone)
		fail("date", e)
	}
	if c.Pattern != "" {
		s.Pattern, e = regexp.Compile(c.Pattern)
		fail("pattern", e)
	}
	if c.ErrorLine != "" {
		s.ErrorPattern, e = regexp.Compile(c.ErrorLine)
		fail("error-line", e)
	}
	s.DatesBegin, s.Decimal = c.DatesBegin, map[string]string{"comma": ",", "point": "."}[c.Decimal]
	if c.Tolerance != "" {
		number, u, ok := strings.Cut(strings.TrimSpace(c.Tolerance), " ")
		if !ok || strings.TrimSpace(u) == "" {
			fail("tolerance", fmt.Errorf("%q has no unit (want for example \"0.05 kg\")", c.Tolerance))
		}
		tolerance, e = strconv.ParseFloat(strings.Replace(number, ",", ".", 1), 64)
		if e != nil || !(tolerance > 0) {
			fail("tolerance", fmt.Errorf("%q is no tolerance (want for example \"0.05 kg\")", c.Tolerance))
		}
		unit = strings.TrimSpace(u)
		s.Unit = unit
	}
	return s, tolerance, unit, err
}

func zoneOf(text string) (*time.Location, error) {
	switch strings.ToLower(text) {
	case "", "local":
		return time.Local, nil
	case "utc", "z":
		return time.UTC, nil
	}
	if at, err := time.Parse("-07:00", text); err == nil {
		return at.Location(), nil
	}
	at, err := time.LoadLocation(text)
	if err != nil {
		return time.UTC, fmt.Errorf("%q is no zone (want +01:00, utc, local, or a name such as Europe/Zurich)", text)
	}
	return at, nil
}
