// Package testdata holds the files that several rooms share: example register maps, fleets and scenarios, all of our own
// invention. Tests read them, the demo embeds them, and people copy them.
package testdata

import "embed"

// Files holds the folders beside this file, by their paths as in "maps/larkspur.yaml".
//
//go:embed all:maps all:demo all:scenarios
var Files embed.FS
