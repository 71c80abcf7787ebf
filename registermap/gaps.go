package registermap

import (
	"slices"

	"ringwarden/fleet"
)

// gaps say what nobody can judge of a device whose map has none of some quantities.
var gaps = []struct {
	need []fleet.Quantity // one of them is enough
	gap  string
}{
	{[]fleet.Quantity{fleet.QuantityStage}, "no stage: nobody can tell whether the unit follows its ring"},
	{[]fleet.Quantity{fleet.BatteryVoltage}, "no battery.voltage: nobody can tell what the bank gets"},
	{[]fleet.Quantity{fleet.BatteryTemperature}, "no battery.temperature: nobody can tell whether the unit uses the shared temperature"},
	{[]fleet.Quantity{fleet.LinkGood, fleet.LinkOK, fleet.LinkAge}, "no link.good, link.ok or link.age: nobody can tell whether the cable from the upstream neighbour works"},
	{[]fleet.Quantity{fleet.RoleTemperatureReference}, "no role.temperature_reference: only the fleet file says which unit has the battery sensor"},
	{[]fleet.Quantity{fleet.RoleTrips}, "no role.trips: only the fleet file says whether the unit stops on a shared trip"},
	{[]fleet.Quantity{fleet.Uptime}, "no uptime: a counter that a restart cleared looks like one that wrapped"},
}

// Gaps says, in one sentence each, what cannot be judged of a device with this map. They are no faults: many devices
// do not offer everything.
func (m *Map) Gaps() []string {
	var found []string
	for _, g := range gaps {
		if !slices.ContainsFunc(m.points, func(pt Point) bool { return slices.Contains(g.need, pt.Quantity) }) {
			found = append(found, g.gap)
		}
	}
	if !slices.ContainsFunc(m.points, func(pt Point) bool { return pt.Quantity == fleet.Faults && pt.Flag(fleet.GroundFault) != 0 }) {
		found = append(found, "no flag "+fleet.GroundFault+" in faults: a ground fault at this unit will not be seen")
	}
	return found
}
