// Package repeatable lets the property tests of whoever imports it draw the same cases in every run, so that a run that
// fails can be repeated and a run that passes says the same tomorrow. Only tests import it.
//
// RINGWARDEN_SEED=0 draws new ones in each run, and any other number those of that seed. On the command line of a test,
// -rapid.seed wins over that, and -rapid.checks asks for more of them.
package repeatable

import (
	"cmp"
	"flag"
	"fmt"
	"os"

	"pgregory.net/rapid"
)

// usual is the seed of a run that asks for none: any other would do.
const usual = "20260504"

var _ rapid.TB // its flags are there before init below runs

func init() {
	seed := cmp.Or(os.Getenv("RINGWARDEN_SEED"), usual)
	if err := flag.Set("rapid.seed", seed); err != nil {
		fmt.Fprintf(os.Stderr, "RINGWARDEN_SEED is %q: %v\n", seed, err)
		os.Exit(2)
	}
}
