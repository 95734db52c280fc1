package event

// RFAlarm is what every face says first where RF is not known to be off, and TakeRFAway what to do then, before
// anything else is read.
const (
	RFAlarm    = "RF IS NOT KNOWN TO BE OFF"
	TakeRFAway = "Switch the generator and the amplifier off by hand, at their mains switches, now; touch nothing on " +
		"the cable before."
)
