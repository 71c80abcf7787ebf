package main

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"ringwarden/fleet/userfile"
)

// A lapse is a flag's length of time, written as in the fleet file: 90s, 8h, 1h30m, 3d.
type lapse time.Duration

// lapseFlag makes a flag of a length of time that stands in d.
func lapseFlag(flags *pflag.FlagSet, d *time.Duration, name, usage string) {
	flags.Var((*lapse)(d), name, usage)
}

// Set reads the flag.
func (s *lapse) Set(word string) error {
	if days, ok := strings.CutSuffix(word, "d"); ok {
		if n, err := strconv.ParseUint(days, 10, 16); err == nil {
			*s = lapse(time.Duration(n) * 24 * time.Hour)
			return nil
		}
	}
	d, err := time.ParseDuration(word)
	if err != nil || d < 0 {
		return fmt.Errorf("write a time with its unit, such as 30m, 8h or 3d")
	}
	*s = lapse(d)
	return nil
}

// String is what --help shows as the default.
func (s *lapse) String() string {
	if *s == 0 {
		return ""
	}
	return userfile.Span(time.Duration(*s))
}

// Type is what --help calls the value.
func (s *lapse) Type() string { return "time" }
