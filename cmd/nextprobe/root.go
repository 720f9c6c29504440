package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"nextprobe/internal/config"
)

// run executes one command line and returns the exit status.
func run(ctx context.Context, args []string, out, errOut io.Writer) int {
	root := newRoot()
	root.SetArgs(args)
	root.SetOut(out)
	root.SetErr(errOut)
	err := root.ExecuteContext(ctx)
	var usage usageError
	switch {
	case err == nil:
		return 0
	case errors.Is(err, errQuiet):
		return exitFailed
	case errors.As(err, &usage), isCobraUsage(err):
		fmt.Fprintf(errOut, "nextprobe: %s\nSee 'nextprobe help'.\n", explain(err))
		return exitUsage
	default:
		fmt.Fprintf(errOut, "nextprobe: %s\n", explain(err))
		return exitFailed
	}
}

// isCobraUsage recognises cobra's own complaints about the command line, which
// it returns as plain errors.
func isCobraUsage(err error) bool {
	for _, s := range []string{"unknown command", "unknown flag", "unknown shorthand", "flag needs an argument", "invalid argument", "required flag", "accepts "} {
		if strings.HasPrefix(err.Error(), s) {
			return true
		}
	}
	return false
}

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:           "nextprobe",
		Short:         "Maintenance log and fault diagnosis server for a board repair shop",
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			_ = cmd.Help()
			return usageError{errors.New("name a command")}
		},
	}
	config.AddFlags(root.PersistentFlags())
	root.AddCommand(serveCommand(), demoCommand(), migrateCommand(), userCommand(), tokenCommand(),
		libraryCommand(), reliabilityCommand(), backupCommand(), restoreCommand(), exportCommand(), importCommand(), versionCommand())
	root.CompletionOptions.HiddenDefaultCmd = true
	return root
}
