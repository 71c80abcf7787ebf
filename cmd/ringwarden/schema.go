package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"

	"ringwarden/alerts"
	"ringwarden/fleet"
	"ringwarden/registermap"
)

func (a *app) schemaCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "schema map|fleet",
		Short: "Print the JSON Schema of a file format, for editors",
		Long: `Print the JSON Schema of the register map or of the fleet file. Editors that know JSON Schema complete and check
the YAML as you write. The program itself checks more than a schema can; see map check and config check.`,
		Example: `  ringwarden schema map > map.schema.json
  ringwarden schema fleet > fleet.schema.json`,
		ValidArgs: []string{"map", "fleet"},
		Args:      arguments(1, 1, "one of map, fleet"),
		RunE: func(_ *cobra.Command, args []string) error {
			switch args[0] {
			case "map":
				return a.print(registermap.Schema())
			case "fleet":
				return a.print(fleet.Schema(alerts.Kinds()))
			}
			return usageError{fmt.Errorf("unknown schema %q; known are map, fleet", args[0])}
		},
	}
}

func (a *app) print(data []byte) error {
	if _, err := a.out.Write(data); err != nil {
		return fmt.Errorf("writing the answer: %w", err)
	}
	return nil
}

// version is set by the linker in packages; a plain build says what the build information knows.
var version = ""

func buildVersion() (version_, revision string) {
	version_, revision = version, "unknown"
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return version_, revision
	}
	if version_ == "" {
		version_ = info.Main.Version
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			revision = s.Value
		}
	}
	return version_, revision
}

func (a *app) versionCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Print the version",
		Args:  arguments(0, 0, "no argument"),
		RunE: func(*cobra.Command, []string) error {
			v, revision := buildVersion()
			_, err := fmt.Fprintf(a.out, "ringwarden %s (revision %s, %s, %s/%s)\n", v, revision, runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return err
		},
	}
}
