package fleet_test

import (
	"time"

	"ringwarden/fleet"
)

// kinds are some alarms for tests of the format: one on each sort of subject, thresholds with and without units. The
// real ones are the alerts room's.
var kinds = []fleet.KindInfo{
	{Kind: "site-silent", Subject: "site", Priority: fleet.High},
	{Kind: "temperature-references", Subject: "ring", Priority: fleet.Medium},
	{Kind: "temperature-split", Subject: "controller", Priority: fleet.Medium, OnDelay: 10 * time.Minute, Thresholds: []fleet.Threshold{
		{Name: "difference", Unit: fleet.Celsius, Default: 3, Min: 0.5, Max: 20, Why: "for tests"},
		{Name: "deadband", Unit: fleet.Celsius, Default: 0.5, Min: 0, Max: 10, Below: "difference", Why: "for tests"},
	}},
	{Kind: "link-down", Subject: "link", Priority: fleet.High},
	{Kind: "link-noisy", Subject: "link", Priority: fleet.Medium, Thresholds: []fleet.Threshold{
		{Name: "alarm", Unit: fleet.Plain, Default: 5, Min: 1, Max: 50, Why: "for tests"},
		{Name: "share", Unit: fleet.Ratio, Default: 0.02, Min: 0, Max: 1, Why: "for tests"},
		{Name: "wait", Unit: fleet.Second, Default: 60, Min: 0, Max: 3600, Why: "for tests"},
	}},
}
