package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"

	"github.com/spf13/cobra"
)

// An app is one invocation of the program.
type app struct {
	out, err  io.Writer
	logFormat string
	logLevel  string
}

// run is the program: it returns the exit status.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	a := &app{out: stdout, err: stderr}
	root := a.command()
	root.SetArgs(args)
	root.SetOut(stdout)
	root.SetErr(stderr)
	return tell(stderr, root.ExecuteContext(ctx))
}

func (a *app) command() *cobra.Command {
	root := &cobra.Command{
		Use:   "ringwarden",
		Short: "Keep watch over battery charge controllers that are joined in a ring",
		Long: `ringwarden polls charge controllers over Modbus TCP with register maps that you write, keeps every reading,
exports Prometheus metrics, and says which controller is out of stage with its peers, which cable of the ring is
failing, which ground-fault trip was not shared and which temperature is wrong. It only ever reads from devices.

It is advice, never a protective device.

Exit status: 0 done, 1 it failed, 2 the command line was wrong.`,
		Example: `  ringwarden demo                       watch a simulated ring, with nothing to prepare
  ringwarden map check my-map.yaml      check a register map that you wrote
  ringwarden map read my-map.yaml --host 192.0.2.7
                                        read one device once and see every value beside its registers
  ringwarden config check fleet.yaml    check the list of what is installed, and all its maps
  ringwarden run fleet.yaml             watch`,
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          unknownCommand,
		RunE:          func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return hintedError{usageError{err}, "see " + c.CommandPath() + " --help"}
	})
	root.PersistentFlags().StringVar(&a.logFormat, "log-format", "auto", "auto, people, text or json; auto is people on a terminal and json under a service manager")
	root.PersistentFlags().StringVar(&a.logLevel, "log-level", "info", "debug, info, warn or error")
	root.AddCommand(
		a.runCommand(), a.demoCommand(), a.simulateCommand(), a.mapCommand(), a.configCommand(),
		a.alarmsCommand(), a.notifyCommand(), a.replayCommand(), a.diagnoseCommand(), a.storeCommand(), a.exportCommand(), a.noteCommand(), a.notesCommand(),
		a.schemaCommand(), a.versionCommand(),
	)
	return root
}

// unknownCommand refuses words that are no command, with a suggestion.
func unknownCommand(c *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	err := usageError{fmt.Errorf("unknown command %q", c.CommandPath()+" "+args[0])}
	if near := nearCommands(c, args[0]); len(near) > 0 {
		return hintedError{err, fmt.Sprintf("did you mean %q?", c.CommandPath()+" "+near[0])}
	}
	for _, other := range c.Root().Commands() {
		if other.Name() == args[0] {
			return hintedError{err, fmt.Sprintf("did you mean %q?", other.CommandPath())}
		}
	}
	return hintedError{err, "see " + c.CommandPath() + " --help"}
}

// nearCommands returns the commands of c that a misspelt word may mean.
func nearCommands(c *cobra.Command, word string) []string {
	c.SuggestionsMinimumDistance = 2
	return c.SuggestionsFor(word)
}

// arguments wants from min to max of what is named, as in "register map".
func arguments(min, max int, what string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) >= min && len(args) <= max {
			return nil
		}
		return hintedError{
			usageError{fmt.Errorf("%s wants %s, not %d", c.CommandPath(), what, len(args))},
			"usage: " + c.UseLine(),
		}
	}
}

// group is a command that only holds others.
func group(use, short, long string, commands ...*cobra.Command) *cobra.Command {
	c := &cobra.Command{
		Use: use, Short: short, Long: long, Args: unknownCommand,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(commands...)
	return c
}

func (a *app) log() (*slog.Logger, error) {
	var level slog.Level
	if err := level.UnmarshalText([]byte(a.logLevel)); err != nil {
		return nil, usageError{fmt.Errorf("unknown log level %q; known are debug, info, warn, error", a.logLevel)}
	}
	return newLog(a.err, a.logFormat, level)
}
