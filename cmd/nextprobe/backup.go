package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"

	"github.com/spf13/cobra"

	"nextprobe/internal/problem"
	"nextprobe/store/pgserver"
)

func backupCommand() *cobra.Command {
	return &cobra.Command{
		Use: "backup FILE", Short: "Write a consistent copy of the database, also beside a running server", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return withDatabase(cmd, func(ctx context.Context, url string) error {
				return dumpTo(ctx, args[0], url)
			})
		},
	}
}

// dumpTo writes beside the target and renames, so that a file of that name is
// always a whole backup. It refuses to overwrite one.
func dumpTo(ctx context.Context, path, url string) error {
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		return problem.New(problem.Conflict, "%s exists already; name a new file.", path)
	}
	part, err := os.CreateTemp(filepath.Dir(path), ".backup-*")
	if err != nil {
		return err
	}
	defer os.Remove(part.Name())
	defer part.Close()
	if err := pgTool(ctx, "pg_dump", part, "--format=custom", "--no-owner", "--no-privileges", "--dbname="+url); err != nil {
		return err
	}
	if err := part.Sync(); err != nil {
		return err
	}
	return os.Rename(part.Name(), path)
}

func restoreCommand() *cobra.Command {
	return &cobra.Command{
		Use: "restore FILE", Short: "Restore a backup into an empty database", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if _, err := os.Stat(args[0]); err != nil {
				return usageError{err}
			}
			cfg, log, err := loadConfig(cmd)
			if err != nil {
				return err
			}
			a := &app{cfg: cfg, log: log}
			defer a.close()
			url, err := a.databaseURL(cmd.Context(), exclusive)
			if err != nil {
				return err
			}
			return restoreFrom(cmd.Context(), args[0], url)
		},
	}
}

// restoreFrom runs in one transaction: a backup that does not fit leaves nothing behind.
func restoreFrom(ctx context.Context, path, url string) error {
	empty, err := databaseEmpty(ctx, url)
	if err != nil {
		return err
	}
	if !empty {
		return problem.New(problem.Conflict, "The database has tables already; restore into an empty data folder or database.")
	}
	return pgTool(ctx, "pg_restore", nil, "--single-transaction", "--exit-on-error", "--no-owner", "--no-privileges", "--dbname="+url, path)
}

// pgTool runs one of Postgres's own programs from the folder the server's
// binaries were found in.
func pgTool(ctx context.Context, name string, out *os.File, args ...string) error {
	bin, err := pgserver.Tool(name)
	if err != nil {
		return err
	}
	cmd := exec.CommandContext(ctx, bin, args...)
	cmd.Stderr = os.Stderr
	if out != nil {
		cmd.Stdout = out
	}
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}
