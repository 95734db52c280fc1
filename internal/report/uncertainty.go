package report

// uncertaintySection is the place for the uncertainty of the injected current: p.Bench is the bench
// as used (nil where the job does not hold it), and package uncertainty works from it.
func (p *page) uncertaintySection() section {
	s := section{ID: "uncertainty", Title: "Uncertainty"}
	s.say("", "No uncertainty is stated in this report. Differences between runs on the same setup are compared with the margin asked, and with the differences of the setup listed above.")
	return s
}
