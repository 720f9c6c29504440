package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"nextprobe/store"
)

func migrateCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "migrate", Short: "Bring the database schema up, down or tell where it stands", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return usageError{errors.New("migrate: say up, down or status")} }}
	var steps int
	down := &cobra.Command{Use: "down --steps N", Short: "Undo the last N migrations (their data is lost)", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if steps < 1 {
				return usageError{errors.New("--steps: a number from 1")}
			}
			return withDatabase(cmd, func(ctx context.Context, url string) error { return store.MigrateDown(ctx, url, steps) })
		}}
	down.Flags().IntVar(&steps, "steps", 1, "how many migrations to undo")
	var asJSON bool
	status := &cobra.Command{Use: "status", Short: "Tell the schema's version", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withDatabase(cmd, func(ctx context.Context, url string) error {
				at, dirty, latest, err := store.MigrateStatus(ctx, url)
				if err != nil {
					return err
				}
				if asJSON {
					return json.NewEncoder(cmd.OutOrStdout()).Encode(map[string]any{"version": at, "latest": latest, "dirty": dirty})
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "version %d of %d%s\n", at, latest, map[bool]string{true: ", left half done: restore a backup or repair by hand"}[dirty])
				return err
			})
		}}
	status.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	cmd.AddCommand(&cobra.Command{Use: "up", Short: "Apply all migrations", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return withDatabase(cmd, store.Migrate) }}, down, status)
	return cmd
}

// withDatabase gives do the database's URL without touching its schema.
func withDatabase(cmd *cobra.Command, do func(ctx context.Context, url string) error) error {
	cfg, log, err := loadConfig(cmd)
	if err != nil {
		return err
	}
	a := &app{cfg: cfg, log: log}
	defer a.close()
	url, err := a.databaseURL(cmd.Context(), beside)
	if err != nil {
		return err
	}
	return do(cmd.Context(), url)
}
