package wording

import (
	"fmt"

	tandemv1 "tandem/proto/tandem/v1"
)

// lowSupply is the level, in per cent, at which a supply is said to be low, and a receptacle at as much below full to be nearly full.
// Common practice, no source.
const lowSupply = 10

// Supply says what a device has of something that it uses up or fills: "Magenta, ink: 8 % left, low".
func Supply(s *tandemv1.Supply) string {
	name := s.GetDisplayName()
	switch {
	case name == "":
		name = s.GetKind()
	case s.GetKind() != "":
		name += ", " + s.GetKind()
	}
	if name != "" {
		name += ": "
	}
	switch {
	case !s.GetLevelKnown():
		return name + "level not known"
	case s.GetReceptacle() && SupplyEnding(s):
		return name + fmt.Sprintf("%d %% full, nearly full", s.GetLevelPercent())
	case s.GetReceptacle():
		return name + fmt.Sprintf("%d %% full", s.GetLevelPercent())
	case SupplyEnding(s):
		return name + fmt.Sprintf("%d %% left, low", s.GetLevelPercent())
	}
	return name + fmt.Sprintf("%d %% left", s.GetLevelPercent())
}

// SupplyEnding says whether somebody should see to it soon: it is low, or a receptacle that is nearly full.
func SupplyEnding(s *tandemv1.Supply) bool {
	switch {
	case !s.GetLevelKnown():
		return false
	case s.GetReceptacle():
		return s.GetLevelPercent() >= 100-lowSupply
	}
	return s.GetLevelPercent() <= lowSupply
}
