package propose

import (
	"encoding/json"

	"tandem/drivers"
)

// deviceJSON is a device with the keys of a floor file.
type deviceJSON struct {
	ID          string        `json:"id"`
	DisplayName string        `json:"display_name,omitempty"`
	Driver      driverJSON    `json:"driver"`
	Watch       []driverJSON  `json:"watch,omitempty"`
	Abilities   []abilityJSON `json:"abilities"`
}

type driverJSON struct {
	Kind     string            `json:"kind"`
	Settings map[string]string `json:"settings,omitempty"`
}

type abilityJSON struct {
	Operation  string `json:"operation"`
	MaxWidthUm int64  `json:"max_width_um,omitempty"`
}

type triedJSON struct {
	What string `json:"what"`
	Came string `json:"came"`
}

type factJSON struct {
	By    string `json:"by"`
	Name  string `json:"name"`
	Value string `json:"value"`
}

type mediaJSON struct {
	Name     string `json:"name"`
	WidthUm  int64  `json:"width_um,omitempty"`
	LengthUm int64  `json:"length_um,omitempty"`
	Ready    bool   `json:"ready"`
}

type questionJSON struct {
	Text    string `json:"text"`
	Setting string `json:"setting,omitempty"` // a line that could answer it
	Ability string `json:"ability,omitempty"`
}

// MarshalJSON writes the device as a floor file has it, and beside it what was found, is assumed and is open. Lengths are
// micrometres.
func (d *Device) MarshalJSON() ([]byte, error) {
	out := struct {
		Address  string                       `json:"address"`
		Device   deviceJSON                   `json:"device"`
		Found    []factJSON                   `json:"found"`
		Media    []mediaJSON                  `json:"media"` // as the device calls them
		Asked    []triedJSON                  `json:"asked"`
		Also     []string                     `json:"also,omitempty"`
		Assumed  map[string]map[string]string `json:"assumed"` // kind, then setting or operation
		Decide   []questionJSON               `json:"decide"`
		Cautions []string                     `json:"cautions"`
	}{
		Address: d.Address, Asked: []triedJSON{}, Also: d.Also, Assumed: map[string]map[string]string{}, Found: []factJSON{}, Media: []mediaJSON{},
		Cautions: append([]string{always}, d.Proposal.Cautions...),
		Device: deviceJSON{
			ID: d.ID, DisplayName: short(d.Proposal.Name, 200),
			Driver: driverJSON{d.Kind.Name, d.Proposal.Settings},
		},
	}
	for _, a := range d.Asked {
		out.Asked = append(out.Asked, triedJSON(a))
	}
	note := func(kind drivers.Kind, p *drivers.Proposal) {
		for _, f := range p.Facts {
			out.Found = append(out.Found, factJSON{kind.Name, f.Name, f.Value})
		}
		if len(p.Assumed) > 0 {
			out.Assumed[kind.Name] = p.Assumed
		}
	}
	note(d.Kind, d.Proposal)
	for _, w := range d.Watch {
		note(w.Kind, w.Proposal)
		out.Device.Watch = append(out.Device.Watch, driverJSON{w.Kind.Name, w.Proposal.Settings})
	}
	for _, a := range d.Proposal.Abilities {
		out.Device.Abilities = append(out.Device.Abilities, abilityJSON{a.Operation, a.MaxWidthUm})
		for _, m := range a.Media {
			out.Media = append(out.Media, mediaJSON(m))
		}
	}
	for _, q := range d.questions() {
		out.Decide = append(out.Decide, questionJSON(q))
	}
	return json.Marshal(out)
}
