package wording

import tandemv1 "tandem/proto/tandem/v1"

// Place says where a panel was last seen: "rack-east, slot e4"; empty if nobody has seen it.
func Place(p *tandemv1.Panel) string {
	if p.GetSlot() == "" {
		return p.GetPlace()
	}
	return p.GetPlace() + ", slot " + p.GetSlot()
}
