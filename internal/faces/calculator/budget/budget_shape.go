package budget

import (
	"provoke/internal/files/problem"
	"provoke/internal/units/rf"
)

// Sheet is the budget as it is printed.
type Sheet struct {
	Bench      string       `json:"bench"`
	Hash       string       `json:"hash"`
	Fixture    string       `json:"fixture"`
	Modulation string       `json:"modulation"`
	Points     []point      `json:"points"`
	At         []nodesAt    `json:"at"`
	Warnings   problem.List `json:"warnings"`
}

// point is the safe setting at one frequency and what it gives.
type point struct {
	Frequency     *rf.Quantity `json:"frequency"`
	Drive         *rf.Quantity `json:"drive"`
	Setting       string       `json:"setting,omitempty"`
	LimitedBy     *heldBy      `json:"limited_by"`
	Current       *rf.Quantity `json:"current"`
	Low           *rf.Quantity `json:"low"`
	High          *rf.Quantity `json:"high"`
	Looped        *closedLoop  `json:"looped"`
	Wanted        *rf.Quantity `json:"wanted"`
	Margin        *float64     `json:"margin_db"`
	Compression   *float64     `json:"compression_db"`
	U             *float64     `json:"u_db"` // of the current once it is measured; null without probe and analyser
	Assumed       int          `json:"u_assumed"`
	DriveWanted   *rf.Quantity `json:"drive_wanted"`
	SettingWanted string       `json:"setting_wanted,omitempty"`
	Error         string       `json:"error,omitempty"`
	Estimate      string       `json:"estimate,omitempty"`
}

// closedLoop is how far a closed loop may go beyond the safe setting, as its reading allows.
type closedLoop struct {
	Drive     *rf.Quantity `json:"drive"`
	Setting   string       `json:"setting"`
	LimitedBy heldBy       `json:"limited_by"`
	Current   *rf.Quantity `json:"current"`
}

// limit is what holds more: of the closed loop, where there is one.
func (p point) limit() *heldBy {
	if p.Looped != nil {
		return &p.Looped.LimitedBy
	}
	return p.LimitedBy
}

type heldBy struct {
	ID    string `json:"id"`
	Place string `json:"place"`
	Note  string `json:"note,omitempty"`
}

// nodesAt is the whole chain at one frequency and drive.
type nodesAt struct {
	Frequency   *rf.Quantity `json:"frequency"`
	Drive       *rf.Quantity `json:"drive"`
	Setting     string       `json:"setting"`
	Forward     *rf.Quantity `json:"forward"`
	Current     *rf.Quantity `json:"current"`
	Low         *rf.Quantity `json:"low"`
	High        *rf.Quantity `json:"high"`
	Reading     *rf.Quantity `json:"reading"`
	Compression *float64     `json:"compression_db"`
	Within      bool         `json:"within"`
	Estimate    string       `json:"estimate,omitempty"`
	Nodes       []node       `json:"nodes"`
}

type node struct {
	ID       string       `json:"id"`
	Place    string       `json:"place"`
	Carrier  *rf.Quantity `json:"carrier"`
	Peak     *rf.Quantity `json:"peak"`
	Mean     *rf.Quantity `json:"mean"`
	RatedAs  string       `json:"rated_as"`
	Rating   *rf.Quantity `json:"rating"`
	Unsure   *float64     `json:"not_measured_db"`
	Headroom *float64     `json:"headroom_db"`
	Within   bool         `json:"within"`
	Note     string       `json:"note,omitempty"`
}

// nowhere reports that no frequency has a safe setting.
func (s Sheet) nowhere() bool {
	for _, p := range s.Points {
		if p.Drive != nil {
			return false
		}
	}
	return true
}
